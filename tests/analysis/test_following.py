"""Which strikes are measured again, as the rest of the run was played: results made by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.analysis.following import look_again
from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.scan import NoiseSpectrum
from toneapp.analysis.strike import MeasuredStrike, StrikeTask
from toneapp.audio import SoundFileHandle, open_sound
from toneapp.keyboard import KeyboardLayout
from toneapp.results import StrikeResult

KEYS = tuple(range(48, 78, 3))


@pytest.fixture
def handle(tmp_path: Path) -> SoundFileHandle:
    path = tmp_path / "one.wav"
    soundfile.write(path, np.random.default_rng(1).normal(0.0, 0.1, 8000), 8000)
    with open_sound(path) as source:
        return source.handle


def _run(
    handle: SoundFileHandle,
    releases: dict[int, tuple[float | None, float]],
    *,
    given_s: float | None = None,
) -> tuple[list[tuple[SoundFileHandle, StrikeTask]], list[MeasuredStrike]]:
    """One strike a key, 4 s long; `releases` holds level after 0.3 s and tail of those let go."""
    tasks, measured = [], []
    for midi in KEYS:
        level_db, tail_s = releases.get(midi, (None, 2.0))
        release_s = 4.0 - tail_s if midi in releases else None
        strike = NamedStrike(onset_s=0.0, midi=midi, pitch=float(midi), source=0)
        if given_s is not None and midi in releases:
            strike = replace(strike, release_s=given_s)
        noise = NoiseSpectrum(density=np.full(5, 1e-12), bin_hz=1000.0)
        tasks.append(
            (handle, StrikeTask(strike=strike, end_s=4.0, is_cut_short=True, noise=noise))
        )
        measured.append(
            MeasuredStrike(
                result=StrikeResult(
                    midi=midi,
                    note="",
                    onset_s=0.0,
                    end_s=4.0,
                    release_s=release_s,
                    ring_levels_db=(level_db, None, None),
                )
            )
        )
    return tasks, measured


@pytest.mark.parametrize(
    ("level_db", "tail_s", "is_doubtful"),
    [
        (-9.0, 3.0, True),  # a beat
        (None, 3.0, True),
        (-24.0, 0.3, True),  # the recording fades out
        (-31.0, 3.0, False),  # one key was let go indeed
    ],
)
def test_a_lone_release_must_stand_for_itself(
    handle: SoundFileHandle, level_db: float | None, tail_s: float, is_doubtful: bool
) -> None:
    tasks, measured = _run(handle, {60: (level_db, tail_s)})
    again = look_again(tasks, measured, layout=KeyboardLayout())
    assert [(i, task.has_damper) for i, (_, task) in again] == [(4, False)] * is_doubtful


def test_what_the_user_says_is_never_doubted(handle: SoundFileHandle) -> None:
    tasks, measured = _run(handle, {60: (-9.0, 3.0)}, given_s=1.0)
    assert look_again(tasks, measured, layout=KeyboardLayout()) == []


def test_where_keys_are_let_go_a_leaking_damper_is_no_beat(handle: SoundFileHandle) -> None:
    releases: dict[int, tuple[float | None, float]] = dict.fromkeys(KEYS, (-30.0, 2.0))
    releases[60] = (-9.0, 2.0)
    tasks, measured = _run(handle, releases)
    assert look_again(tasks, measured, layout=KeyboardLayout()) == []
