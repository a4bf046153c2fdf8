"""Every line that was heard after the releases of a run, side by side.

Functions: `gather_lines`, `excess_levels_db`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.analysis.ringon_run import OWN_LINE_CENTS, RingRun
from toneapp.measure.echo_strings import StringTable
from toneapp.measure.ringing import RingLine

__all__ = ["MAY_RING_RATIO", "HeardLines", "excess_levels_db", "gather_lines"]

RINGS_RATIO = 1.4
LIVE_RINGS_RATIO = 1.7
MAY_RING_RATIO = 1.2
SURE_RATIO = 3.0
FAINTEST_DB = -58.0
"""A line rings when it is clean and, its standard error taken off, lasts 1.4 times as long as the
room, or when it lasts three times as long: after short gaps none can be clean. In rooms of 0.4 to
0.9 s with sound dampers 8 of 100 low partials do the first, strings without dampers among them,
and one in 1000 the second, or two in 100 where less than 0.75 s follow the release; 11 of 100 are
clean and last 1.2 times as long. A live room is heard at many more places, and somewhere it
lingers by itself: there a line has to last 1.7 times as long."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardLines:
    """Every line after the release of a damped key, one row each."""

    hz: FloatArray
    level_db: FloatArray
    ratio: FloatArray  # least decay time over the room's
    rings: BoolArray
    may_ring: BoolArray
    key: IntArray  # struck
    before: IntArray  # struck just before, 0 for none
    at_own: BoolArray  # at a partial of the struck key


def gather_lines(run: RingRun, strings: StringTable) -> HeardLines:
    """Collect the lines after the releases of damped keys.

    Parameters
    ----------
    run : RingRun
        The run.
    strings : StringTable
        Its strings.

    Returns
    -------
    HeardLines
        In the order of time; keys that may have been held on are left out.
    """
    in_time = sorted(run.measured, key=lambda item: (item.result.source, item.result.onset_s))
    rows: list[tuple[RingLine, int, int, bool]] = []
    before = 0
    for item in in_time:
        midi = item.result.midi
        if item.hears_release and midi <= run.last_damper and midi not in run.held_on:
            rows += [
                (
                    line,
                    midi,
                    before,
                    strings.distance_cents(line.hz, midi) < OWN_LINE_CENTS,
                )
                for line in item.lines
                if line.level_db >= FAINTEST_DB
            ]
        before = midi
    hz = np.array([line.hz for line, *_ in rows], dtype=np.float64)
    ratio = np.array([line.t60_s - line.t60_s_se for line, *_ in rows]) / run.room_at_s(hz)
    is_clean = np.array([line.is_clean for line, *_ in rows], dtype=np.bool_)
    least = RINGS_RATIO + run.liveness * (LIVE_RINGS_RATIO - RINGS_RATIO)
    rings = (is_clean & (ratio > least)) | (ratio > SURE_RATIO)
    return HeardLines(
        hz=hz,
        level_db=np.array([line.level_db for line, *_ in rows], dtype=np.float64),
        ratio=ratio,
        rings=rings,
        may_ring=(ratio > least) | (is_clean & (ratio > MAY_RING_RATIO)),
        key=np.array([row[1] for row in rows], dtype=np.int64),
        before=np.array([row[2] for row in rows], dtype=np.int64),
        at_own=np.array([row[3] for row in rows], dtype=np.bool_),
    )


def excess_levels_db(run: RingRun) -> dict[int, float]:
    """Give the level after the release over that of the neighbours.

    Parameters
    ----------
    run : RingRun
        The run.

    Returns
    -------
    dict of int to float
        In dB, by key, of every damped key whose release is heard.
    """
    found: dict[int, list[float]] = {}
    for item in run.measured:
        midi, level = item.result.midi, item.result.ring_levels_db[0]
        if item.hears_release and midi <= run.last_damper and midi not in run.held_on:
            over_db = 0.0 if level is None else level - run.usual.ring_level_db(midi)
            found.setdefault(midi, []).append(over_db)
    return {midi: float(np.median(values)) for midi, values in found.items()}
