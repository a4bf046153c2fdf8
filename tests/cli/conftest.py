"""A run to show, and a stand-in for the measuring itself."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from toneapp.pitch import note_name
from toneapp.results import (
    Evenness,
    Flag,
    NoteResult,
    Raised,
    RunResult,
    StrikeResult,
    UnexpectedSound,
)


def make_run(**changes: Any) -> RunResult:
    """A run of three notes, each struck twice; C4 is dull, C#4 loud."""
    strikes = tuple(
        StrikeResult(
            midi=midi, note=note_name(midi), onset_s=2.0 * index, end_s=2.0 * index + 1.5,
            cents=-1.5, flags=(Flag.NO_RELEASE,) if midi == 62 else (),
        )
        for index, midi in enumerate((60, 60, 61, 61, 62, 62))
    )  # fmt: skip
    notes = (
        NoteResult(
            midi=60, note="C4", strikes=2, cents=-1.5, level_db=-20.0, level_residual_db=0.1,
            level_trend_db=-20.1, brightness=2.0, brightness_trend=2.3,
            brightness_residual=-0.3, brightness_se=0.03, raised=(Raised.DULL,),
        ),
        NoteResult(
            midi=61, note="C#4", strikes=2, cents=0.5, level_db=-15.0, level_residual_db=4.9,
            level_trend_db=-19.9, level_se=0.4, brightness=2.3, raised=(Raised.LOUD,),
        ),
        NoteResult(midi=62, note="D4", strikes=2, level_db=-19.7, level_residual_db=0.0),
    )  # fmt: skip
    values: dict[str, Any] = {
        "sample_rate_hz": 48_000,
        "duration_s": 12.0,
        "a4_reference_hz": 440.0,
        "a4_measured_hz": 439.6,
        "strikes": strikes,
        "notes": notes,
        "evenness": Evenness(level_db=1.1, level_db_se=0.15, brightness_oct=0.09),
        "missing": (57, 63, 64, 65),
        "unexpected": (UnexpectedSound(onset_s=88.1, midi=61),),
        "problems": ("3 strikes clipped",),
        "order": "ascending",
        "source": "run.flac",
    }
    return RunResult(**(values | changes))


@pytest.fixture
def run_of_three() -> Callable[..., RunResult]:
    return make_run


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Replace the measuring by a fixed run; holds what it was called with."""
    called: dict[str, Any] = {}

    def analyse(path: str | Path, **options: Any) -> RunResult:
        called.update(options, path=path)
        options["progress"](0.5)
        return make_run()

    monkeypatch.setattr("toneapp.analysis.analyse", analyse)
    return called
