"""Which strings ring after each release of a run?

Functions: `name_ringing`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from toneapp.analysis.ringon_known import with_known_strings
from toneapp.analysis.ringon_run import OWN_LINE_CENTS, RingRun
from toneapp.analysis.strike import MeasuredStrike
from toneapp.measure.echo import OwnResidue, name_lines, surely_rings
from toneapp.measure.ringing import RingLine
from toneapp.results import Cause, EchoString, StrikeResult

__all__ = ["name_ringing"]

AGREE_HZ = 0.4
"""A line that does not surely ring has to agree within this with a clean or a sure one after
another key."""

LOW_PARTIALS = 8
LOW_CENTS = 12.0
HIGH_HZ = 0.6
"""Beyond its eighth partial a leaking string is heard after other keys only where it rang after
its own strike: so many partials lie there that one is always near."""

UNISON_HZ = 1.5
UNISON_CENTS = 3.0
"""The strings of a unison lie within these of each other and of the key's partial."""

ANSWER_HZ = 0.9
ANSWERING_PARTIALS = 8
ANSWER_RATIO = 0.9
OUTLASTS_RATIO = 1.2
FAINTEST_ANSWER_DB = -50.0
"""A leaking string within this of a clean line, by one of its eight lowest partials, rings with
it: the two cannot be told apart within a second. The line outlasts the room nearly, or by this
much where it may be the rest of the struck note itself."""


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
    own_lines = _own_lines(run, leaky)
    for item in run.measured:
        result = item.result
        is_held_on = result.midi in run.held_on and result.midi not in leaky
        if run.strings is None or not item.lines or result.midi > run.last_damper or is_held_on:
            named.append(result)
            continue
        ringing = _name(item, run=run, leaky=leaky, own_lines=own_lines)
        ringing = _with_answering(item, ringing, run=run, leaky=leaky)
        named.append(replace(result, ringing=ringing))
    return with_known_strings(run, _without_chance_finds(run, named), leaky)


def _own_lines(run: RingRun, leaky: frozenset[int]) -> dict[int, list[RingLine]]:
    """Clean lines after the own strikes of leaking keys."""
    own_lines: dict[int, list[RingLine]] = {midi: [] for midi in leaky}
    for item in run.measured:
        if item.result.midi in leaky:
            own_lines[item.result.midi] += [line for line in item.lines if line.is_clean]
    return own_lines


def _name(
    item: MeasuredStrike,
    *,
    run: RingRun,
    leaky: frozenset[int],
    own_lines: dict[int, list[RingLine]],
) -> tuple[EchoString, ...]:
    """Name the lines of a strike, each by the strings that may be heard at its place."""
    strings = run.strings
    assert strings is not None
    midi = item.result.midi
    groups: dict[frozenset[int], list[RingLine]] = {}
    for line in item.lines:
        able = frozenset(
            key
            for key in leaky
            if key == midi
            or strings.distance_cents(line.hz, key, most=LOW_PARTIALS) < LOW_CENTS
            or any(abs(line.hz - own.hz) < HIGH_HZ for own in own_lines[key])
        )
        groups.setdefault(able, []).append(line)
    echoes = [
        echo
        for able, lines in groups.items()
        for echo in name_lines(
            lines,
            struck_midi=midi,
            strings=strings,
            last_damper_midi=run.last_damper,
            leaky=able,
            own=OwnResidue(usual_t60_s=run.usual.t60_s(midi), is_leaky=midi in leaky),
            room_t60_s=run.room_s,
        )
    ]
    loudest: dict[tuple[int | None, Cause, int], EchoString] = {}
    sure = {line.hz for line in item.lines if surely_rings(line, room_t60_s=run.room_s)}
    for echo in sorted(
        echoes,
        key=lambda echo: (echo.cause is Cause.UNDAMPED and echo.hz not in sure, -echo.level_db),
    ):
        place = 0 if echo.midi is not None else round(echo.hz)
        loudest.setdefault((echo.midi, echo.cause, place), echo)
    return tuple(loudest.values())


def _with_answering(
    item: MeasuredStrike,
    ringing: tuple[EchoString, ...],
    *,
    run: RingRun,
    leaky: frozenset[int],
) -> tuple[EchoString, ...]:
    """Add leaking strings that lie so near to a line that they answer it.

    A free string within a hertz of another that sounds for a second rings with it, and the two
    are one line.
    """
    strings = run.strings
    assert strings is not None
    found = {echo.midi: echo for echo in ringing}
    for line in item.lines:
        if not line.is_clean or line.level_db < FAINTEST_ANSWER_DB:
            continue
        is_own = strings.distance_cents(line.hz, item.result.midi) < OWN_LINE_CENTS
        may_be_rest = is_own and item.result.midi not in leaky
        least = OUTLASTS_RATIO if may_be_rest else ANSWER_RATIO
        if line.t60_s - line.t60_s_se < least * run.room_s:
            continue
        for midi in sorted(leaky - {item.result.midi}):
            row = midi - int(strings.midi[0])
            if not 0 <= row < strings.midi.size:
                continue
            off_hz = np.abs(strings.partial_hz[row, 1 : ANSWERING_PARTIALS + 1] - line.hz)
            n = int(np.argmin(off_hz)) + 1
            if off_hz[n - 1] > ANSWER_HZ + line.hz_se:
                continue
            if midi in found and found[midi].level_db >= line.level_db:
                continue
            found[midi] = EchoString(
                midi=midi,
                partial=n,
                hz=line.hz,
                hz_se=line.hz_se,
                level_db=line.level_db,
                cause=Cause.OTHER_DAMPER,
                t60_s=line.t60_s,
                cents_off=float(1200.0 * np.log2(line.hz / strings.partial_hz[row, n])),
            )
    return tuple(sorted(found.values(), key=lambda echo: -echo.level_db))


def _without_chance_finds(run: RingRun, named: list[StrikeResult]) -> list[StrikeResult]:
    """Leave out undamped strings that one doubtful line of the whole run tells of.

    A free string rings at its own frequency whatever was struck. What the room leaves of a
    struck note's partial beside it does not.
    """

    def is_sure(line: RingLine) -> bool:
        return surely_rings(line, room_t60_s=run.room_s)

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
        if any(is_sure(other) for other in _lines_of_string(run, item, echo)):
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


def _lines_of_string(run: RingRun, item: MeasuredStrike, echo: EchoString) -> list[RingLine]:
    """Lines of the strings of a unison, of which the loudest names them."""
    strings = run.strings
    return [
        line
        for line in item.lines
        if line.hz == echo.hz
        or (
            strings is not None
            and echo.midi is not None
            and abs(line.hz - echo.hz) < UNISON_HZ
            and strings.distance_cents(line.hz, echo.midi) < UNISON_CENTS
        )
    ]


def _line_of(item: MeasuredStrike, echo: EchoString) -> RingLine:
    """Line that a string was named by."""
    return next(line for line in item.lines if line.hz == echo.hz)
