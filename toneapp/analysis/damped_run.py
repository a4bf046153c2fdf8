"""Damped decays of a whole run, read beside the one room in which it was played.

Functions: `with_damped_decays`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TypeVar

from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.workers import Crew, give_back_memory
from toneapp.measure.damped_decay import read_damped_decay, settle_damped_decays
from toneapp.measure.damped_room import choose_witnesses, hear_room, weigh_hearings
from toneapp.signal.damped import DampedBands

__all__ = ["with_damped_decays"]

_T = TypeVar("_T")


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
    room = weigh_hearings(_shared(hear_room, choose_witnesses(releases), crew))
    readings = _shared(partial(read_damped_decay, room=room), releases, crew)
    decays = settle_damped_decays([measured[i].result.midi for i in order], readings)
    finished = list(measured)
    for i, decay in zip(order, decays, strict=True):
        result = measured[i].result
        flags = tuple(dict.fromkeys((*result.flags, *decay.flags)))
        result = replace(result, damped_t60_s=decay.t60_s, flags=flags)
        finished[i] = replace(measured[i], result=result)
    return finished


def _shared(
    read: Callable[[DampedBands], _T], releases: Sequence[DampedBands], crew: Crew
) -> list[_T]:
    """Give each worker its part of the keyboard.

    The widths of bands follow the keys, and each width has tables of its own to work out.
    """
    ends = [round(i * len(releases) / crew.jobs) for i in range(crew.jobs + 1)]
    parts = [releases[a:b] for a, b in itertools.pairwise(ends) if b > a]
    done = crew.do(partial(_read_all, read), parts, report=_nobody)
    return [item for part in done for item in part]


def _read_all(read: Callable[[DampedBands], _T], releases: Sequence[DampedBands]) -> list[_T]:
    give_back_memory()  # what the strikes took, before the tables take theirs
    return [read(release) for release in releases]


def _nobody(_share: float) -> None:
    """Too quick to report on."""
