"""How far is each strike followed, and which of them are measured once more?

Functions: `strike_tasks`, `look_again`, `measure_batch`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.listening import Listening
from toneapp.analysis.strike import MeasuredStrike, StrikeTask, begin_strike, finish_strikes
from toneapp.audio import SoundFileHandle
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.expected_release import expected_holds
from toneapp.measure.release import HIGHEST_LAST_DAMPER_MIDI
from toneapp.results import StrikeResult, UnexpectedSound

__all__ = ["look_again", "measure_batch", "strike_tasks"]

BEFORE_S = 0.25
LONGEST_S = 12.0
"""Sound read before an onset, and the longest that a strike is followed."""

NEXT_GAP_S = 0.008
"""Left out before the next strike: bands smear its onset backward."""

RARE_SHARE = 0.15
RARE_LEAST_KEYS = 8
SURE_FALL_DB = -20.0
FADE_S = 0.5
"""A run is played in one way. Where hardly any key is heard to be let go (single notes that were
held until the recording ends), a lone release after which the note has not fallen by 20 dB within
0.3 s is a beat of several partials at once; one within 0.5 s of the end, a recording faded out."""

SURE_DAMPER_MIDI = 84
"""Up to C6 every piano has dampers (common practice, no source)."""


def strike_tasks(
    handles: list[SoundFileHandle],
    heard: Listening,
    strikes: list[NamedStrike],
    unexpected: list[UnexpectedSound],
    *,
    layout: KeyboardLayout,
    calibration_db: float | None,
) -> list[tuple[SoundFileHandle, StrikeTask]]:
    """Say for each strike how far it may be followed."""
    noises_s = sorted(item.onset_s for item in unexpected if item.kind == "noise")
    tasks = []
    for i, strike in enumerate(strikes):
        handle = handles[strike.source]
        end_s = min(strike.onset_s + LONGEST_S, handle.frames / handle.sample_rate_hz)
        is_cut = end_s < strike.onset_s + LONGEST_S
        if i + 1 < len(strikes) and strikes[i + 1].source == strike.source:
            next_s = strikes[i + 1].onset_s - NEXT_GAP_S
            if next_s < end_s:
                end_s, is_cut = next_s, True
        if len(handles) == 1:
            for noise_s in noises_s:
                if strike.onset_s + 0.1 < noise_s < end_s:
                    end_s, is_cut = noise_s - NEXT_GAP_S, True
                    break
        tasks.append(
            (
                handle,
                StrikeTask(
                    strike=strike,
                    end_s=end_s,
                    is_cut_short=is_cut,
                    noise=heard.noises[strike.source],
                    has_damper=_has_damper(strike.midi, layout),
                    calibration_db=calibration_db,
                    source=Path(handle.path).name if len(handles) > 1 else "",
                ),
            )
        )
    return tasks


def look_again(
    tasks: Sequence[tuple[SoundFileHandle, StrikeTask]],
    measured: Sequence[MeasuredStrike],
    *,
    layout: KeyboardLayout,
) -> list[tuple[int, tuple[SoundFileHandle, StrikeTask]]]:
    """Strikes to be measured again, as the rest of the run was played.

    Those without a release with the hold of their neighbours, and those with a doubtful one
    without it where hardly any other key was heard to be let go.
    """
    results = [item.result for item in measured]
    may_have = [_has_damper(result.midi, layout) is not False for result in results]
    if rare := _rare_releases(tasks, results, may_have):
        return [(i, (tasks[i][0], replace(tasks[i][1], has_damper=False))) for i in rare]
    holds = expected_holds(
        [None if r.release_s is None else r.release_s - r.onset_s for r in results], may_have
    )
    again = []
    for i, (handle, task) in enumerate(tasks):
        if results[i].release_s is not None or not may_have[i] or holds[i] is None:
            continue
        if task.strike.release_s is not None:
            continue  # as the user said
        is_sure = task.has_damper is True or results[i].midi <= SURE_DAMPER_MIDI
        again.append(
            (
                i,
                (handle, replace(task, expected_hold_s=holds[i], may_assume_release=is_sure)),
            )
        )
    return again


def _rare_releases(
    tasks: Sequence[tuple[SoundFileHandle, StrikeTask]],
    results: Sequence[StrikeResult],
    may_have: Sequence[bool],
) -> list[int]:
    """Doubtful releases of a run in which hardly any is heard."""
    seen = [i for i, result in enumerate(results) if may_have[i] and result.release_s is not None]
    if sum(may_have) < RARE_LEAST_KEYS or len(seen) > RARE_SHARE * sum(may_have):
        return []
    return [
        i
        for i in seen
        if tasks[i][1].strike.release_s is None and not _is_sure_release(results[i])
    ]


def _is_sure_release(result: StrikeResult) -> bool:
    """Tell a release that stands for itself: the note has fallen far, and sounds on."""
    fall_db = result.ring_levels_db[0]
    if fall_db is None or result.release_s is None:
        return False
    return fall_db <= SURE_FALL_DB and result.end_s - result.release_s >= FADE_S


def measure_batch(batch: list[tuple[SoundFileHandle, StrikeTask]]) -> list[MeasuredStrike]:
    """Measure some neighbouring strikes; runs in a worker."""
    begun = []
    handle = batch[0][0]
    source = handle.open()
    try:
        for own, task in batch:
            if own is not handle:
                source.close()
                handle, source = own, own.open()
            rate = handle.sample_rate_hz
            start = max(0, int((task.strike.onset_s - BEFORE_S) * rate))
            stop = max(start + 1, int(task.end_s * rate))
            samples = source.read(start, stop).astype(np.float64)
            begun.append(
                begin_strike(samples, sample_rate_hz=rate, first_s=start / rate, task=task)
            )
    finally:
        source.close()
    return finish_strikes(begun)


def _has_damper(midi: int, layout: KeyboardLayout) -> bool | None:
    """Tell whether a key has a damper; None when the instrument's last damper is not known."""
    if layout.last_damper_midi is not None:
        return midi <= layout.last_damper_midi
    return False if midi > HIGHEST_LAST_DAMPER_MIDI else None
