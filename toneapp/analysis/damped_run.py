"""Damped decays of a whole run, read beside the one room in which it was played.

Functions: `with_damped_decays`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.workers import Crew
from toneapp.measure.damped_decay import read_damped_decay, settle_damped_decays
from toneapp.measure.damped_room import (
    HeardRoom,
    RoomHearing,
    choose_witnesses,
    hear_room,
    weigh_hearings,
)
from toneapp.signal.damped import DampedBands
from toneapp.signal.damped_reading import DampedReading

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
    # In the order of the keys: the order of the recordings shall not change the last digit.
    order = sorted(
        (i for i, item in enumerate(measured) if item.damped is not None),
        key=lambda i: (measured[i].result.midi, measured[i].result.onset_s),
    )
    releases = [release for i in order if (release := measured[i].damped) is not None]
    if not releases:
        return list(measured)
    said = crew.do(_hear_rooms, _batches(choose_witnesses(releases)), report=_nobody)
    room = weigh_hearings([hearing for batch in said for hearing in batch])
    read = crew.do(partial(_read, room=room), _batches(releases), report=_nobody)
    readings = [reading for batch in read for reading in batch]
    decays = settle_damped_decays([measured[i].result.midi for i in order], readings)
    finished = list(measured)
    for i, decay in zip(order, decays, strict=True):
        result = measured[i].result
        flags = tuple(dict.fromkeys((*result.flags, *decay.flags)))
        result = replace(result, damped_t60_s=decay.t60_s, flags=flags)
        finished[i] = replace(measured[i], result=result)
    return finished


def _batches(releases: Sequence[DampedBands]) -> list[Sequence[DampedBands]]:
    return [releases[i : i + BATCH] for i in range(0, len(releases), BATCH)]


def _hear_rooms(releases: Sequence[DampedBands]) -> list[RoomHearing]:
    return [hear_room(release) for release in releases]


def _read(releases: Sequence[DampedBands], *, room: HeardRoom) -> list[DampedReading]:
    return [read_damped_decay(release, room) for release in releases]


def _nobody(_share: float) -> None:
    """Too quick to report on."""
