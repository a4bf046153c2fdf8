"""Which strings ring after each release of a run?

Functions: `name_ringing`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toneapp.analysis.ringon_run import RingRun
from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.echo import OwnResidue, name_lines
from toneapp.measure.ringing import RingLine
from toneapp.results import Cause, EchoString, StrikeResult

__all__ = ["name_ringing"]

SURE_ECHO_DB = -50.0
SURE_CLEAN_RATIO = 1.6
SURE_ECHO_RATIO = 3.0
"""From this level, and when it outlasts the room this many times (a clean line, and any other), a
single line tells of an undamped string."""

AGREE_HZ = 0.4
"""Otherwise a clean or a sure line after another key has to agree with it within this."""


def name_ringing(run: RingRun, leaky: frozenset[int]) -> list[StrikeResult]:
    """Name the lines after every release.

    Parameters
    ----------
    run : RingRun
        The run.
    leaky : frozenset of int
        Keys whose dampers leak.

    Returns
    -------
    list of StrikeResult
        The strikes with `ringing` filled.
    """
    named: list[StrikeResult] = []
    for item in run.measured:
        result = item.result
        is_held_on = result.midi in run.held_on and result.midi not in leaky
        if run.strings is None or not item.lines or result.midi > run.last_damper or is_held_on:
            named.append(result)
            continue
        ringing = name_lines(
            item.lines,
            struck_midi=result.midi,
            strings=run.strings,
            last_damper_midi=run.last_damper,
            leaky=leaky,
            own=OwnResidue(
                usual_t60_s=run.usual.t60_s(result.midi), is_leaky=result.midi in leaky
            ),
            room_t60_s=run.room_s,
        )
        named.append(replace(result, ringing=ringing))
    return _without_chance_finds(run, named)


def _without_chance_finds(run: RingRun, named: list[StrikeResult]) -> list[StrikeResult]:
    """Leave out undamped strings that one doubtful line of the whole run tells of.

    A free string rings at its own frequency whatever was struck. What the room leaves of a
    struck note's partial beside it does not.
    """

    def is_sure(line: RingLine) -> bool:
        ratio = SURE_CLEAN_RATIO if line.is_clean else SURE_ECHO_RATIO
        return line.level_db > SURE_ECHO_DB and line.t60_s - line.t60_s_se > ratio * run.room_s

    witnesses: dict[tuple[int | None, int | None], list[tuple[int, RingLine]]] = {}
    for item, result in zip(run.measured, named, strict=True):
        for echo in result.ringing:
            line = _line_of(item, echo)
            if echo.cause is Cause.UNDAMPED and (line.is_clean or is_sure(line)):
                witnesses.setdefault((echo.midi, echo.partial), []).append((result.midi, line))

    def is_kept(item: MeasuredStrike, echo: EchoString) -> bool:
        if echo.cause is not Cause.UNDAMPED:
            return True
        line = _line_of(item, echo)
        if is_sure(line):
            return True
        return any(
            midi != item.result.midi
            and abs(other.hz - line.hz) < AGREE_HZ + 2.0 * float(np.hypot(other.hz_se, line.hz_se))
            for midi, other in witnesses.get((echo.midi, echo.partial), ())
        )

    return [
        replace(result, ringing=tuple(echo for echo in result.ringing if is_kept(item, echo)))
        for item, result in zip(run.measured, named, strict=True)
    ]


def _line_of(item: MeasuredStrike, echo: EchoString) -> RingLine:
    """Line that a string was named by."""
    return next(line for line in item.lines if line.hz == echo.hz)
