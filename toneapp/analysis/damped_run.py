"""Damped decays of a whole run, read beside the one room in which it was played.

Functions: `with_damped_decays`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.damped_decay import read_damped_decay, weigh_rooms

__all__ = ["with_damped_decays"]


def with_damped_decays(measured: Sequence[MeasuredStrike]) -> list[MeasuredStrike]:
    """Add the damped T60 to the strikes of a run.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        Strikes of one run, in any order.

    Returns
    -------
    list of MeasuredStrike
        The same, with `damped_t60_s` where the sound tells it and the reason where it does not.
    """
    releases = [item.damped for item in measured if item.damped is not None]
    if not releases:
        return list(measured)
    rooms = weigh_rooms(releases)
    finished: list[MeasuredStrike] = []
    for item in measured:
        if item.damped is None:
            finished.append(item)
            continue
        decay = read_damped_decay(item.damped, rooms)
        flags = tuple(dict.fromkeys((*item.result.flags, *decay.flags)))
        result = replace(item.result, damped_t60_s=decay.t60_s, flags=flags)
        finished.append(replace(item, result=result))
    return finished
