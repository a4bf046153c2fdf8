"""Which strings of a run are known, and are they heard where no line of their own was found?

A string whose damper leaks, or that has none, sounds at the same frequencies and dies alike after
every blow. What several strikes tell of it serves to look for it after the others.

Functions: `with_known_strings`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp.analysis.ringon_run import OWN_LINE_CENTS, RingRun
from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.echo_strings import StringTable
from toneapp.measure.ringing import RingLine
from toneapp.measure.ringing_known import REST_HZ, RestSound, known_level_db
from toneapp.results import Cause, EchoString, StrikeResult

__all__ = ["with_known_strings"]

PARTIALS = 8
PLACE_HZ = 0.25
PLACE_SE_HZ = 0.1
"""A partial of a leaking string is known by clean lines so near to its place. What is heard of it
after other keys lies within 0.06 Hz of that in half of all cases, within 0.17 Hz in three of four,
on two unrelated simulated pianos."""

LEAST_WITNESSES = 2
AGREE_HZ = 0.4
"""A string without a damper is known when it is named after so many strikes at one frequency."""

OUTLASTS_RATIO = 1.2
"""At a partial of the struck note a string must outlast the room by this much to be told from
what is left of the note."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Partial:
    """What is known of one partial of a string."""

    midi: int
    n: int
    hz: float
    t60_s: float
    cause: Cause


def with_known_strings(
    run: RingRun, named: Sequence[StrikeResult], leaky: Collection[int]
) -> list[StrikeResult]:
    """Look for the strings that are known after the strikes that do not name them.

    Parameters
    ----------
    run : RingRun
        The run, with the leaking strings placed.
    named : sequence of StrikeResult
        Its strikes with `ringing` filled.
    leaky : collection of int
        Keys whose dampers leak.

    Returns
    -------
    list of StrikeResult
        The strikes with the strings that were found added to `ringing`.
    """
    strings = run.strings
    if strings is None:
        return list(named)
    partials = [*_leaking(run, strings, leaky), *_free(named)]
    return [
        _searched(run, strings, item, result, partials)
        for item, result in zip(run.measured, named, strict=True)
    ]


def _leaking(run: RingRun, strings: StringTable, leaky: Collection[int]) -> list[_Partial]:
    """Partials of leaking strings, as their own blows tell them, or else those on other keys."""
    own: dict[int, list[RingLine]] = {midi: [] for midi in leaky}
    every: list[RingLine] = []
    for item in run.measured:
        clean = [line for line in item.lines if line.is_clean]
        every += clean
        if item.result.midi in own:
            own[item.result.midi] += clean
    found = []
    for midi in sorted(leaky):
        row = midi - int(strings.midi[0])
        if not 0 <= row < strings.midi.size:
            continue
        for n in range(1, PARTIALS + 1):
            hz = float(strings.partial_hz[row, n])
            t60_s = _decay(own[midi], hz) or _decay(every, hz)
            if t60_s is not None and hz < REST_HZ and not run.is_near_free(hz):
                cause = Cause.OTHER_DAMPER
                found.append(_Partial(midi=midi, n=n, hz=hz, t60_s=t60_s, cause=cause))
    return found


def _decay(lines: Sequence[RingLine], hz: float) -> float | None:
    """Middle decay time of the lines at one place, None without any."""
    at_place = [line.t60_s for line in lines if abs(line.hz - hz) < PLACE_HZ]
    return float(np.median(at_place)) if at_place else None


def _free(named: Sequence[StrikeResult]) -> list[_Partial]:
    """Partials of strings without dampers, as the strikes that name them tell them."""
    witnesses: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for result in named:
        for echo in result.ringing:
            if echo.cause is not Cause.UNDAMPED or echo.midi is None or echo.partial is None:
                continue
            if echo.t60_s is not None and echo.hz < REST_HZ:
                witnesses.setdefault((echo.midi, echo.partial), []).append((echo.hz, echo.t60_s))
    found = []
    for (midi, n), rows in witnesses.items():
        hz, t60_s = (float(value) for value in np.median(np.array(rows), axis=0))
        agree = sum(abs(row[0] - hz) < AGREE_HZ for row in rows)
        if agree >= LEAST_WITNESSES:
            found.append(_Partial(midi=midi, n=n, hz=hz, t60_s=t60_s, cause=Cause.UNDAMPED))
    return sorted(found, key=lambda partial: (partial.midi, partial.n))


def _searched(
    run: RingRun,
    strings: StringTable,
    item: MeasuredStrike,
    result: StrikeResult,
    partials: Sequence[_Partial],
) -> StrikeResult:
    """Add the known strings that are heard after one strike, each by the first partial found."""
    struck = result.midi
    rest = item.rest
    if rest is None or struck > run.last_damper or struck in run.held_on:
        return result
    told = {struck, *(echo.midi for echo in result.ringing)}
    sought = [
        partial
        for partial in partials
        if partial.midi not in told
        and (
            partial.t60_s > OUTLASTS_RATIO * run.room_s
            or strings.distance_cents(partial.hz, struck) > OWN_LINE_CENTS
        )
    ]
    added = _heard(rest, sought)
    if not added:
        return result
    ringing = sorted([*result.ringing, *added], key=lambda echo: -echo.level_db)
    return replace(result, ringing=tuple(ringing))


def _heard(rest: RestSound, sought: Sequence[_Partial]) -> list[EchoString]:
    """Look for each string until one of its partials is heard."""
    if not sought:
        return []
    bands = rest.bands(np.array([partial.hz for partial in sought]))
    found: dict[int, EchoString] = {}
    for row, partial in enumerate(sought):
        if partial.midi in found:
            continue
        level = known_level_db(rest, bands, row, hz=partial.hz, t60_s=partial.t60_s)
        if level is not None:
            found[partial.midi] = EchoString(
                midi=partial.midi,
                partial=partial.n,
                hz=partial.hz,
                hz_se=PLACE_SE_HZ,
                level_db=level,
                cause=partial.cause,
                t60_s=partial.t60_s,
                cents_off=0.0,
            )
    return list(found.values())
