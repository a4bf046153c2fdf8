"""Which string rings, and why? Lines after the release matched to the strings of the instrument.

A line is compared with the partials of every string *as measured in the same run*, not with equal
temperament: only then can the leaking eighth partial of the struck note be told from the first of
the undamped string beside it. Three causes are told apart: the struck note's own damper leaks;
another damped string's damper leaks; a string without a damper answers in sympathy.

Functions: `name_lines`, `surely_rings`.

References
----------
.. [1] H.-M. Lehtonen, H. Penttinen, J. Rauhala, V. Valimaki, "Analysis and modeling of piano
   sustain-pedal effects", J. Acoust. Soc. Am. 122, 1787 (2007): free strings answer where their
   partials meet those of the struck note.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp.measure.echo_strings import LEAST_SIGMA_CENTS, OWN_PARTIALS, StringTable
from toneapp.measure.ringing import RingLine
from toneapp.results import Cause, EchoCandidate, EchoString

__all__ = ["OwnResidue", "name_lines", "surely_rings"]

WIDTH_SIGMAS = 3.0
WIDEST_CENTS = 10.0

UNDAMPED_PARTIALS = 3
LEAKY_PARTIALS = 40  # more where the string's own strike showed them
OTHER_PARTIALS = 10
OWN_CENTS = 6.0
OWN_CENTS_PER_N = 0.15
"""A line this near to a partial of the struck note, more with rising number, may be the note's
own: the highest partials of wound strings leave their law by that much."""

SECOND_PARTIAL_COST = 2.0
LEAKY_COST = 0.7
LEAKY_PARTIAL_COST = 0.04
OWN_COST = 0.4
OTHER_COST = 6.0
OWN_LEAD = 1.0
"""How much less likely a line is of that kind, as a difference of log likelihood: the first
partial of a free string answers most; of a leaking bass string any partial may."""

LEAST_VALUE = -5.5
"""Log likelihood below which a string does not explain a line."""

SHARED = 3.0
SHARED_CENTS = 3.0
SHARED_HZ = 0.9
"""Two free strings that one line cannot part both ring, and each is told, at the level of the
line: a clean line within 0.9 Hz of both, any other within 3 cents."""

AMBIGUOUS = 2.0
"""Other strings within this log likelihood ratio are named as alternatives."""

LOWEST_REPORTED_DB = -58.0
NO_KEY_DB = -42.0
NO_KEY_T60_RATIO = 2.0
NO_KEY_HZ = 800.0
"""A line that fits no free string is told only when it is strong, outlasts damper and room, and
lies where back lengths and duplex lengths speak."""

ROOM_RATIO = 1.05
USUAL_RATIO = 1.25
FREE_RATIO = 1.4
FREE_SURENESS = 0.5
LEAK_RATIO = 0.95
"""A line at the struck note's own partial that decays no slower than this times the room, or than
this times the dampers around it, is the rest of the note itself. Half the standard error taken
off, a string without a damper lasts 1.4 times as long as the room, and one whose damper leaks at
least nearly as long (its tenth partial and lower; so many lie higher that one is always near);
what lies at its place and does not is the room's answer to the blow."""


SURE_DB = -50.0
SURE_CLEAN_RATIO = 1.6
SURE_RATIO = 3.0
"""From this level, and when it outlasts the room this many times (a clean line, and any other), a
single line tells of an undamped string."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnResidue:
    """How the struck note's own partials are expected to die after the release."""

    usual_t60_s: float  # of dampers in this part of the keyboard
    is_leaky: bool  # this note's own damper leaks


@dataclass(frozen=True, slots=True, kw_only=True)
class _Match:
    """One string that a line may belong to."""

    midi: int
    n: int
    cents_off: float
    cause: Cause
    value: float  # log likelihood, up to a constant
    is_known_leak: bool  # its own strike shows that its damper leaks


def surely_rings(line: RingLine, *, room_t60_s: float) -> bool:
    """Tell whether a line by itself shows that a string without a damper rings.

    Parameters
    ----------
    line : RingLine
        A line after a release.
    room_t60_s : float
        Reverberation time of the room.

    Returns
    -------
    bool
        True when it is loud enough and outlasts the room by far.
    """
    ratio = SURE_CLEAN_RATIO if line.is_clean else SURE_RATIO
    return line.level_db > SURE_DB and line.t60_s - line.t60_s_se > ratio * room_t60_s


def name_lines(
    lines: Sequence[RingLine],
    *,
    struck_midi: int,
    strings: StringTable,
    last_damper_midi: int,
    leaky: Collection[int],
    own: OwnResidue,
    room_t60_s: float,
) -> tuple[EchoString, ...]:
    """Say of each line after a release which string it is.

    Parameters
    ----------
    lines : sequence of RingLine
        Lines after the release of one strike.
    struck_midi : int
        The struck key.
    strings : StringTable
        Strings of the instrument.
    last_damper_midi : int
        Highest key with a damper.
    leaky : collection of int
        Keys whose own strike shows that their dampers leak.
    own : OwnResidue
        What to expect of the struck note itself.
    room_t60_s : float
        Reverberation time of the room.

    Returns
    -------
    tuple of EchoString
        One for each string, by its strongest line, of an undamped one by the strongest that
        surely rings if there is one; loudest first. The struck note's own partials that die as
        damper and room let expect are left out.
    """
    found: dict[tuple[int | None, Cause], tuple[bool, EchoString]] = {}
    for line in lines:
        if line.level_db < LOWEST_REPORTED_DB:
            continue
        matches = _matches(
            line,
            struck_midi=struck_midi,
            strings=strings,
            last_damper_midi=last_damper_midi,
            leaky=leaky,
        )
        for echo in _decide(line, matches, own=own, room_t60_s=room_t60_s):
            key = (echo.midi if echo.midi is not None else -round(echo.hz), echo.cause)
            is_sure = echo.cause is Cause.UNDAMPED and surely_rings(line, room_t60_s=room_t60_s)
            before = found.get(key)
            if before is None or (is_sure, echo.level_db) > (before[0], before[1].level_db):
                found[key] = (is_sure, echo)
    return tuple(sorted((echo for _, echo in found.values()), key=lambda echo: -echo.level_db))


def _matches(
    line: RingLine,
    *,
    struck_midi: int,
    strings: StringTable,
    last_damper_midi: int,
    leaky: Collection[int],
) -> list[_Match]:
    """All strings with a partial near the line, best first."""
    line_cents = 1731.23 * line.hz_se / line.hz
    midi = strings.midi
    is_own = midi == struck_midi
    is_free = (midi > last_damper_midi) & ~is_own
    is_leaky = np.isin(midi, list(leaky)) & ~is_own & ~is_free
    most = np.select(
        [is_own, is_free, is_leaky],
        [OWN_PARTIALS, UNDAMPED_PARTIALS, LEAKY_PARTIALS],
        OTHER_PARTIALS,
    )
    cost = np.select([is_own, is_free, is_leaky], [OWN_COST, 0.0, LEAKY_COST], OTHER_COST)
    per_partial = np.select([is_own, is_free], [0.0, SECOND_PARTIAL_COST], LEAKY_PARTIAL_COST)
    # Only the nearest partial of each string: two of one string are never this close.
    n = np.argmin(np.abs(strings.partial_hz - line.hz), axis=1)
    row = np.arange(midi.size)
    # A high partial of a leaking string counts where its own strike showed it.
    most = np.where(is_leaky & strings.is_measured[row, n], OWN_PARTIALS, most)
    allowed = (n >= 1) & (n <= most)
    n = np.clip(n, 1, OWN_PARTIALS)
    off = 1200.0 * np.log2(line.hz / strings.partial_hz[row, n])
    # A measured partial stands for itself, wherever the law would have it. The higher one that was
    # not measured, the less the series says of it.
    is_seen = strings.is_measured[row, n]
    sigma = np.where(is_seen, LEAST_SIGMA_CENTS, np.hypot(strings.sigma_cents, 0.1 * n))
    sigma = np.hypot(sigma, np.where(is_seen, line_cents, np.hypot(line_cents, 1.0)))
    width = np.minimum(WIDTH_SIGMAS * sigma, WIDEST_CENTS + line_cents)
    own_width = OWN_CENTS + OWN_CENTS_PER_N * n + line_cents
    width = np.where(is_own, np.maximum(width, own_width), width)
    value = -0.5 * (off / sigma) ** 2 - np.log(sigma) - cost - per_partial * (n - 1)
    matches = [
        _Match(
            midi=int(midi[i]),
            n=int(n[i]),
            cents_off=float(off[i]),
            cause=_cause(is_own=bool(is_own[i]), is_free=bool(is_free[i])),
            value=float(value[i]),
            is_known_leak=bool(is_leaky[i]),
        )
        for i in np.flatnonzero(allowed & (np.abs(off) <= width))
    ]
    return sorted(matches, key=lambda match: -match.value)


def _cause(*, is_own: bool, is_free: bool) -> Cause:
    """Why a string of that kind rings."""
    if is_own:
        return Cause.OWN_DAMPER
    return Cause.UNDAMPED if is_free else Cause.OTHER_DAMPER


def _decide(
    line: RingLine, matches: list[_Match], *, own: OwnResidue, room_t60_s: float
) -> list[EchoString]:
    """Choose the strings of a line: none if damper and room explain it, or several."""
    ordinary_t60_s = max(ROOM_RATIO * room_t60_s, USUAL_RATIO * own.usual_t60_s)
    outlasts = line.t60_s - min(line.t60_s_se, 0.25 * line.t60_s) > ordinary_t60_s
    is_near_own = any(match.cause is Cause.OWN_DAMPER for match in matches)
    if is_near_own and not outlasts:
        return []  # the rest of the note itself, and the room's answer to it
    likely = [match for match in matches if match.value > LEAST_VALUE]
    if line.t60_s - FREE_SURENESS * line.t60_s_se < FREE_RATIO * room_t60_s:
        likely = [match for match in likely if match.cause is not Cause.UNDAMPED]
    surely_s = line.t60_s - FREE_SURENESS * line.t60_s_se
    likely = [
        match
        for match in likely
        if match.cause is not Cause.OTHER_DAMPER
        or surely_s >= (LEAK_RATIO if match.n <= OTHER_PARTIALS else FREE_RATIO) * room_t60_s
    ]
    if not own.is_leaky:
        # What lies at the struck note's own partial far better than at another damped string's is
        # no sign of that one.
        at_own = max((m.value for m in matches if m.cause is Cause.OWN_DAMPER), default=-np.inf)
        likely = [
            match
            for match in likely
            if match.cause is not Cause.OWN_DAMPER
            and not (match.cause is Cause.OTHER_DAMPER and match.value < at_own - OWN_LEAD)
        ]
    if not likely:
        strong = line.level_db > NO_KEY_DB and line.t60_s > NO_KEY_T60_RATIO * ordinary_t60_s
        if not strong or line.hz < NO_KEY_HZ or is_near_own:
            return []
        return [_echo(line, None, matches)]
    shared_cents = 1731.23 * (SHARED_HZ + line.hz_se) / line.hz
    shared = [
        match
        for match in likely[1:]
        if match.value > likely[0].value - SHARED
        and abs(match.cents_off) < (shared_cents if line.is_clean else SHARED_CENTS)
        and (match.cause is Cause.UNDAMPED or match.is_known_leak)
    ]
    return [_echo(line, match, matches) for match in (likely[0], *shared)]


def _echo(line: RingLine, best: _Match | None, matches: list[_Match]) -> EchoString:
    """Write a line down with its string and the alternatives."""
    least = best.value - AMBIGUOUS if best is not None else -np.inf
    others = [match for match in matches if match is not best and match.value > least]
    return EchoString(
        midi=None if best is None else best.midi,
        partial=None if best is None else best.n,
        hz=line.hz,
        hz_se=line.hz_se,
        level_db=line.level_db,
        cause=Cause.NO_KEY if best is None else best.cause,
        t60_s=line.t60_s,
        cents_off=None if best is None else best.cents_off,
        alternatives=tuple(
            EchoCandidate(midi=match.midi, partial=match.n, cents_off=match.cents_off)
            for match in others[:3]
        ),
    )
