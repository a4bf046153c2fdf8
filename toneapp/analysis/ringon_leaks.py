"""Which dampers leak for certain, and which are the most suspect of a run?

Functions: `leaky_by_own_strikes`, `rank_suspects`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from toneapp.analysis.ringon_run import OWN_LINE_CENTS, RingRun
from toneapp.measure.leak import MOST_PARTIALS
from toneapp.pitch import note_name
from toneapp.results import Cause, StrikeResult, SuspectDamper

__all__ = ["leaky_by_own_strikes", "rank_suspects"]

LEAST_LEAK_T60_S = 0.6
SURE_LEVEL_DB = -15.5
SURE_EXCESS_DB = 11.0
"""A damper leaks for certain when 0.3 s after the release its note stands less than 15.5 dB below
the level before, and 11 dB above its neighbours. Strings of other keys that share a partial ring
some 16 to 30 dB below; dampers as they are made differ by a factor 2 (common practice, no
source)."""

CLEAN_LEAK_PARTIALS = 3
CLEAN_LEAK_RATIO = 1.6
CLEAN_LEAK_DB = -45.0
CLEAN_LEAK_LEVEL_DB = -27.0
"""Where the damper takes most of the sound at once and holds the rest badly, the level tells
little in a live room. A room leaves no clean lines: three of the six lowest partials that ring
cleanly for 1.6 times as long are a string's own. That and 11 dB above the neighbours is
certain."""

SHOWN_RATIO = 1.6
SHOWN_EXCESS_DB = 8.0
SHOWN_SUM = -3.0
"""From here a damper is shown in the list, lower down, without being held to ring for others: it
is slower and louder than its neighbours, rings, and what the whole run speaks against a leak is
no more than a log likelihood ratio of 3."""

CLEAN_TAIL_S = 0.7
OWN_LOWEST = 2
OWN_CENTS = 2.5
OWN_HZ = 0.15
OWN_RATIO = 1.1
"""Where the sound after the releases is long enough for clean lines, one of the key's own lowest
partials must be among them: otherwise talk slows the fall, or a release was missed."""

LENT_MARGIN_CENTS = 0.3
LENT_CENTS = 3.0
LENT_RANGE_DB = 12.0
LENT_MOST_DB = -13.0
"""A line at a partial of the struck key is lent by another string when that one's partial is
nearer, or hardly farther, and within 3 cents. The lines within 12 dB of the loudest count; one
within 13 dB of the struck note's own peak level is louder than a string that only answers."""


def leaky_by_own_strikes(run: RingRun) -> frozenset[int]:
    """Find the keys whose own strikes show by their level that their dampers leak.

    Parameters
    ----------
    run : RingRun
        The run.

    Returns
    -------
    frozenset of int
        Keys that leak for certain. Of the others the whole run must tell.
    """
    votes: dict[int, list[tuple[float, float, float]]] = {}
    for item in run.measured:
        midi, t60_s = item.result.midi, item.partials_t60_s
        level = item.result.ring_levels_db[0]
        if midi > run.last_damper or midi in run.held_on or t60_s is None or level is None:
            continue
        rings = float(t60_s >= LEAST_LEAK_T60_S)
        votes.setdefault(midi, []).append((level, level - run.usual.ring_level_db(midi), rings))
    sure: set[int] = set()
    tails_s = [
        item.result.end_s - item.result.release_s
        for item in run.measured
        if item.result.release_s is not None and item.result.midi <= run.last_damper
    ]
    is_long = bool(tails_s) and float(np.median(tails_s)) > CLEAN_TAIL_S
    middle = {
        midi: tuple(float(np.median(column)) for column in zip(*rows, strict=True))
        for midi, rows in votes.items()
    }
    for midi in sorted(middle, key=lambda key: -middle[key][0]):
        level, excess, rings = middle[midi]
        if excess < SURE_EXCESS_DB or _is_lent(run, midi, sure):
            continue
        is_clean = _clean_partials(run, midi) >= CLEAN_LEAK_PARTIALS
        is_loud = level >= SURE_LEVEL_DB and rings > 0.0
        if (is_loud and (not is_long or _rings_cleanly(run, midi))) or (
            is_clean and level >= CLEAN_LEAK_LEVEL_DB
        ):
            sure.add(midi)
    return frozenset(sure)


def _rings_cleanly(run: RingRun, midi: int) -> bool:
    """Tell whether one of a key's lowest partials was heard as a clean line after its release."""
    if run.strings is None:
        return True
    return any(
        line.is_clean
        and line.t60_s > OWN_RATIO * run.room_s
        and run.strings.distance_cents(line.hz, midi, most=OWN_LOWEST)
        < OWN_CENTS + 1731.23 * OWN_HZ / line.hz
        for item in run.measured
        if item.result.midi == midi
        for line in item.lines
    )


def _clean_partials(run: RingRun, midi: int) -> int:
    """Count the lowest partials of a key that ring on cleanly after its own strikes."""
    if run.strings is None:
        return 0
    row = midi - int(run.strings.midi[0])
    if not 0 <= row < run.strings.midi.size:
        return 0
    partials_hz = run.strings.partial_hz[row, 1 : MOST_PARTIALS + 1]
    ringing = np.zeros(partials_hz.size, dtype=np.bool_)
    for item in run.measured:
        if item.result.midi != midi:
            continue
        for line in item.lines:
            if not line.is_clean or line.level_db < CLEAN_LEAK_DB:
                continue
            if line.t60_s - line.t60_s_se < CLEAN_LEAK_RATIO * run.room_s:
                continue
            off_cents = np.abs(1200.0 * np.log2(line.hz / partials_hz))
            ringing |= off_cents < OWN_CENTS + 1731.23 * OWN_HZ / partials_hz
    return int(np.count_nonzero(ringing))


def _is_lent(run: RingRun, midi: int, leaky: Collection[int]) -> bool:
    """Tell whether strings without dampers, and such as are known to leak, explain all that rings.

    A string an octave away shares the key's partials, but not to the cent.
    """
    strings = run.strings
    if strings is None:
        return False
    votes = []
    for item in run.measured:
        if item.result.midi != midi or not item.lines:
            continue
        own = [
            (line, off)
            for line in item.lines
            if (off := strings.distance_cents(line.hz, midi)) < OWN_LINE_CENTS
        ]
        if not own:
            continue
        loudest = max(line.level_db for line, _ in own)
        votes.append(
            loudest < LENT_MOST_DB
            and all(
                run.is_near_free(line.hz)
                or any(
                    strings.distance_cents(line.hz, other)
                    < min(LENT_CENTS, off + LENT_MARGIN_CENTS)
                    for other in leaky
                )
                for line, off in own
                if line.level_db > loudest - LENT_RANGE_DB
            )
        )
    return bool(votes) and float(np.mean(votes)) >= 0.5


def rank_suspects(
    run: RingRun,
    named: Sequence[StrikeResult],
    leaky: frozenset[int],
    *,
    doubts: Mapping[int, float],
) -> tuple[SuspectDamper, ...]:
    """Rank the dampers by what their own strikes and others' tell against them.

    Parameters
    ----------
    run : RingRun
        The run.
    named : sequence of StrikeResult
        Its strikes with `ringing` filled.
    leaky : frozenset of int
        Keys whose dampers leak.
    doubts : mapping of int to float
        What the whole run tells for a leak of other keys that ring after their own strikes, as
        log likelihood ratios.

    Returns
    -------
    tuple of SuspectDamper
        The most suspect first. Keys that may have been held on are left out.
    """
    suspects = []
    struck = {result.midi for result in named if result.midi <= run.last_damper}
    for midi in sorted((struck | leaky) - (run.held_on - leaky)):
        own = [result for result in named if result.midi == midi]
        damped = [
            item.partials_t60_s
            for item in run.measured
            if item.result.midi == midi and item.partials_t60_s is not None
        ]
        levels = [r.ring_levels_db[0] for r in own if r.ring_levels_db[0] is not None]
        t60_s = float(np.median(damped)) if damped else None
        level = float(np.median(levels)) if levels else None
        ratio = 1.0 if t60_s is None else t60_s / run.usual.t60_s(midi)
        excess = 0.0 if level is None else level - run.usual.ring_level_db(midi)
        if midi not in leaky and (
            ratio < SHOWN_RATIO
            or excess < SHOWN_EXCESS_DB
            or doubts.get(midi, -np.inf) < SHOWN_SUM
        ):
            continue
        others = tuple(sorted(_heard_from(named, midi)))
        suspicion = float(np.log2(max(ratio, 0.25))) + float(np.clip(excess / 20.0, -1.0, 2.0))
        if midi in leaky:
            suspicion += 1.0 + min(len(others), 10) / 10.0
        suspects.append(
            SuspectDamper(
                midi=midi,
                note=note_name(midi),
                suspicion=suspicion,
                damped_t60_s=t60_s,
                usual_t60_s=run.usual.t60_s(midi),
                ring_level_db=level,
                heard_from=others,
            )
        )
    return tuple(sorted(suspects, key=lambda suspect: -suspect.suspicion))


def _heard_from(results: Sequence[StrikeResult], midi: int) -> set[int]:
    """Other struck keys after whose release a damped string is heard."""
    return {
        result.midi
        for result in results
        for echo in result.ringing
        if echo.midi == midi and echo.cause is Cause.OTHER_DAMPER
    }
