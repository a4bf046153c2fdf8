"""Damped decays of a whole run, read beside the one room in which it was played.

Functions: `with_damped_decays`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TypeVar

import numpy as np

from toneapp._typing import FloatArray
from toneapp.analysis.ringon_run import read_last_damper
from toneapp.analysis.strike import MeasuredStrike
from toneapp.analysis.workers import Crew, give_back_memory
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.damped_decay import read_damped_decay, settle_damped_decays
from toneapp.measure.damped_room import choose_witnesses, hear_room, weigh_hearings
from toneapp.measure.echo_strings import build_strings
from toneapp.results import StrikeResult
from toneapp.signal.damped import DampedBands, some_bands

__all__ = ["with_damped_decays"]

_T = TypeVar("_T")


FREE_PARTIALS = 2
FREE_CENTS = 25.0
FREE_T60_S = 1.0
"""A partial so near to one of the lowest of a string without a damper makes that one sound
(Lehtonen et al. 2007, as in `toneapp.measure.echo`). Where a line is heard there after the
release, clean or long, the string goes on when the damper has done its work."""


def with_damped_decays(
    measured: Sequence[MeasuredStrike], *, layout: KeyboardLayout, crew: Crew
) -> list[MeasuredStrike]:
    """Add the damped T60 to the strikes of a run.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        Strikes of one run, in any order.
    layout : KeyboardLayout
        Compass and last damper, if known.
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
    free_hz = _free_partials_hz([item.result for item in measured], layout)
    releases = [
        _without_free(release, _heard_free_hz(measured[i], free_hz))
        for i in order
        if (release := measured[i].damped) is not None
    ]
    if not releases:
        return list(measured)
    room = weigh_hearings(_shared(hear_room, choose_witnesses(releases), crew))
    readings = _shared(partial(read_damped_decay, room=room), releases, crew)
    decays = settle_damped_decays([measured[i].result.midi for i in order], readings)
    finished = list(measured)
    for i, decay in zip(order, decays, strict=True):
        result = measured[i].result
        flags = tuple(dict.fromkeys((*result.flags, *decay.flags)))
        result = replace(
            result, damped_t60_s=decay.t60_s, damped_t60_s_se=decay.t60_s_se, flags=flags
        )
        finished[i] = replace(measured[i], result=result)
    return finished


def _free_partials_hz(results: Sequence[StrikeResult], layout: KeyboardLayout) -> FloatArray:
    """Lowest partials of the strings without dampers, shape (k,)."""
    strings = build_strings(results)
    if strings is None:
        return np.zeros(0)
    last_damper, _ = read_last_damper(results, layout)
    return strings.partial_hz[strings.midi > last_damper, 1 : FREE_PARTIALS + 1].ravel()


def _heard_free_hz(item: MeasuredStrike, free_hz: FloatArray) -> FloatArray:
    """Lines after a release that lie at those partials and ring, shape (m,)."""
    hz = np.array(
        [
            line.hz
            for line in item.lines
            if line.is_clean or line.t60_s - line.t60_s_se > FREE_T60_S
        ]
    )
    off_cents = np.abs(1200.0 * np.log2(hz[:, None] / free_hz))
    return hz[(off_cents < FREE_CENTS).any(axis=1)]


def _without_free(release: DampedBands, free_hz: FloatArray) -> DampedBands:
    """Leave out the partials that other strings sound on with, where some remain."""
    off_cents = np.abs(1200.0 * np.log2(release.hz[:, None] / free_hz))
    own = np.flatnonzero((off_cents >= FREE_CENTS).all(axis=1))
    return some_bands(release, own) if own.size else release


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
