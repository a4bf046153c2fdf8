"""What the tests of the page Record share: simulated runs as sound files, and how they are played.

A file stands in for the microphone; it is taken as fast as the recorder follows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import soundfile
from pytestqt.qtbot import QtBot

from toneapp.audio.capture import FileSource, SoundSource
from toneapp.audio.capture.ring import SampleRing
from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.record import RecordPage
from toneapp.desktop.record_session import Phase
from toneapp.desktop.theme import Theme
from toneapp.simulate import Blow, Room, make_piano, render

KEYS = (55, 57, 59, 60)
HOLD_S, EVERY_S = 1.2, 2.2
LONGEST_MS = 60_000


def write_run(
    path: Path,
    blows: Sequence[tuple[int, float, float]],
    *,
    peak: float | None = None,
    draw: int = 3,
) -> Path:
    """Write simulated blows, (key, onset in s, hold in s), as a sound file."""
    rng = np.random.default_rng(draw)
    piano = make_piano(rng, kind="upright")
    events = [
        Blow(midi=midi, onset_s=onset_s, hold_s=hold_s, velocity_m_per_s=2.0)
        for midi, onset_s, hold_s in blows
    ]
    run = render(piano, events, Room(t60_s=0.4, snr_db=50.0), rng=rng)
    samples = run.audio if peak is None else run.audio * (peak / np.max(np.abs(run.audio)))
    soundfile.write(path, np.clip(samples, -1.0, 1.0), run.sample_rate_hz, subtype="FLOAT")
    return path


def held(keys: Sequence[int] = KEYS, *, first_s: float = 3.0) -> list[tuple[int, float, float]]:
    """Blows on keys one after the other, each held long enough."""
    return [(midi, first_s + EVERY_S * place, HOLD_S) for place, midi in enumerate(keys)]


class Waiting(FileSource):
    """A file that is heard and then goes on with silence, as a microphone does."""

    def __init__(self, path: Path) -> None:
        self._is_over = False
        super().__init__(path)

    @property
    def has_ended(self) -> bool:
        """Never: a microphone has no end."""
        return False

    @has_ended.setter
    def has_ended(self, is_over: bool) -> None:
        self._is_over = is_over

    @property
    def is_played(self) -> bool:
        """Whether all of the file was given."""
        return self._is_over

    def start(self, ring: SampleRing) -> None:
        """Give the file."""
        super().start(ring)


def show_page(
    qtbot: QtBot,
    model: AppModel,
    theme: Theme,
    make_source: Callable[[object], SoundSource],
) -> RecordPage:
    """Build the page alone and show it, set for the keys of this kit."""
    from PySide6.QtWidgets import QWidget

    holder = QWidget()
    page = RecordPage(model, theme, Actions(holder), holder, make_source=make_source)
    holder.resize(1280, 800)
    page.resize(1280, 800)
    qtbot.addWidget(holder, before_close_func=lambda _widget: page.let_go())
    holder.show()
    qtbot.waitExposed(holder)
    return page


def choose_keys(page: RecordPage, keys: Sequence[int] = KEYS) -> None:
    """Set the page up for a few keys."""
    from toneapp.pitch import note_name

    page.setup.compass.setText(f"{note_name(min(keys))}-{note_name(max(keys))}")
    page.setup.hold.setText("1.0")
    page.setup.keys.setCurrentIndex(page.setup.keys.findData("white"))
    page.setup.refresh()


def wait_until(qtbot: QtBot, is_so: Callable[[], bool]) -> None:
    """Wait, with patience for a busy machine."""
    qtbot.waitUntil(is_so, timeout=LONGEST_MS)


def begin(qtbot: QtBot, page: RecordPage) -> None:
    """Begin to record and wait until it runs."""
    page.begin()
    wait_until(qtbot, lambda: page.session.phase is not Phase.NONE)
    wait_until(qtbot, lambda: page.session.phase is not Phase.OPENING)
