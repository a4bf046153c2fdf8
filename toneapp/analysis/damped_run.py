"""Damped decays of a whole run, read beside the one room in which it was played.

Functions: `with_damped_decays`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from toneapp._typing import FloatArray
from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.workers import Crew
from toneapp.measure.damped_decay import (
    DampedDecay,
    choose_witnesses,
    read_damped_decay,
    room_evidence,
    weigh_evidence,
)
from toneapp.signal.damped import DampedBands

__all__ = ["with_damped_decays"]

BATCH = 6
"""Releases read by a worker at a time."""


def with_damped_decays(measured: Sequence[MeasuredStrike], *, crew: Crew) -> list[MeasuredStrike]:
    """Add the damped T60 to the strikes of a run.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        Strikes of one run, in any order.
    crew : Crew
        Shares the work.

    Returns
    -------
    list of MeasuredStrike
        The same, with `damped_t60_s` where the sound tells it and the reason where it does not.
    """
    releases = [item.damped for item in measured if item.damped is not None]
    if not releases:
        return list(measured)
    said = crew.do(_hear_rooms, _batches(choose_witnesses(releases)), report=_nobody)
    rooms = weigh_evidence([evidence for batch in said for evidence in batch])
    read = crew.do(partial(_read, rooms=rooms), _batches(releases), report=_nobody)
    decays = iter([decay for batch in read for decay in batch])
    finished: list[MeasuredStrike] = []
    for item in measured:
        if item.damped is None:
            finished.append(item)
            continue
        decay = next(decays)
        flags = tuple(dict.fromkeys((*item.result.flags, *decay.flags)))
        result = replace(item.result, damped_t60_s=decay.t60_s, flags=flags)
        finished.append(replace(item, result=result))
    return finished


def _batches(releases: Sequence[DampedBands]) -> list[Sequence[DampedBands]]:
    return [releases[i : i + BATCH] for i in range(0, len(releases), BATCH)]


def _hear_rooms(releases: Sequence[DampedBands]) -> list[FloatArray]:
    return [room_evidence(release) for release in releases]


def _read(releases: Sequence[DampedBands], *, rooms: FloatArray) -> list[DampedDecay]:
    return [read_damped_decay(release, rooms) for release in releases]


def _nobody(_share: float) -> None:
    """Too quick to report on."""
