"""A library with two measured runs of an invented instrument, a model and a window on it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QSettings
from pytestqt.qtbot import QtBot

sys.path.insert(0, str(Path(__file__).parent))

from window_kit import BRIGHT, Workshop, analyse  # isort: skip -- it makes the next one findable

from bench_library import build_library
from invented import Measures, invent_run, write_noise

from toneapp.desktop.main_window import MainWindow
from toneapp.desktop.models import AppModel
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import Theme, ThemeMode
from toneapp.library import Instrument, Library, Purpose, Run

IDLE_MS = 30_000
"""A slow machine may still be measuring when a test ends."""


class PatientBot(QtBot):
    """Waits longer than usual for what will come: other tests may keep the machine busy."""

    def waitUntil(  # noqa: N802
        self, callback: Callable[[], Any], *, timeout: int = IDLE_MS
    ) -> None:
        super().waitUntil(callback, timeout=timeout)

    def waitSignal(  # noqa: N802
        self, signal: Any, *, timeout: int = IDLE_MS, **options: Any
    ) -> Any:
        return super().waitSignal(signal, timeout=timeout, **options)

    def waitSignals(  # noqa: N802
        self, signals: Any, *, timeout: int = IDLE_MS, **options: Any
    ) -> Any:
        return super().waitSignals(signals, timeout=timeout, **options)


@pytest.fixture
def qtbot(qapp: object, request: pytest.FixtureRequest) -> PatientBot:
    del qapp  # it has to be there first
    return PatientBot(request)


@pytest.fixture
def workshop(tmp_path: Path) -> Iterator[Workshop]:
    folder = tmp_path / "library"
    with Library(folder) as library:
        piano = library.instruments.add(Instrument(name="Old upright", maker="Invented"))
        other = library.instruments.add(Instrument(name="Small grand", place="Hall"))
        runs = []
        for key, (condition, bright) in enumerate((("before", {BRIGHT: 0.9}), ("after", {}))):
            sound = write_noise(tmp_path / f"{condition}.wav", seconds=3.0, key=key)
            run = library.runs.add(
                Run(
                    instrument_id=piano.id,
                    condition=condition,
                    purpose=Purpose.EVENNESS,
                    recorded_at=f"2024-05-0{key + 1}T10:00:00Z",
                    place="workshop",
                ),
                sound,
            )
            result = invent_run(np.random.default_rng(key), bright=bright)
            library.measuring.measure(run.id, Measures(result))
            runs.append(run)
        yield Workshop(library, folder, piano, other, *runs)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(QSettings(str(tmp_path / "settings.ini"), QSettings.Format.IniFormat))


@pytest.fixture
def theme(qapp: object) -> Theme:  # noqa: ARG001 -- it brings the application
    return Theme(ThemeMode.LIGHT)


@pytest.fixture
def model(qtbot: QtBot, workshop: Workshop) -> Iterator[AppModel]:
    """A model on the library, nothing chosen yet."""
    made = AppModel(analyse=analyse, poll_ms=0)
    made.use_library(workshop.library)
    yield made
    try:
        qtbot.waitUntil(lambda: made.tasks.is_idle, timeout=IDLE_MS)
    finally:  # no thread may read a library that is closed
        made.close()


@pytest.fixture
def empty_model(qtbot: QtBot, tmp_path: Path) -> Iterator[AppModel]:
    """A model on a library without anything in it."""
    made = AppModel(analyse=analyse, poll_ms=0)
    with Library(tmp_path / "empty") as library:
        made.use_library(library)
        yield made
        try:
            qtbot.waitUntil(lambda: made.tasks.is_idle, timeout=IDLE_MS)
        finally:  # no thread may read a library that is closed
            made.close()


@pytest.fixture
def window(qtbot: QtBot, model: AppModel, theme: Theme, settings: Settings) -> MainWindow:
    """A window on the library, shown."""
    made = MainWindow(model, theme, settings)
    qtbot.addWidget(made)
    made.show()
    qtbot.waitExposed(made)
    return made


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    """Simulated sound, measured: run 1 before the work, run 2 after it. Read it only."""
    with build_library(tmp_path_factory.mktemp("bench")) as library:
        yield library


@pytest.fixture
def bench_model(qtbot: QtBot, bench: Library) -> Iterator[AppModel]:
    """A model on the simulated runs, nothing chosen yet."""
    made = AppModel(analyse=analyse, poll_ms=0)
    made.use_library(bench)
    yield made
    try:
        qtbot.waitUntil(lambda: made.tasks.is_idle, timeout=IDLE_MS)
    finally:  # no thread may read a library that is closed
        made.close()
