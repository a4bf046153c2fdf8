"""Which dampers leak? What their own strikes tell, and what is heard of their strings elsewhere.

Functions: `leaky_by_own_strikes`, `confirmed_by_others`, `without_lent`, `rank_suspects`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from toneapp.analysis.ringon_run import OWN_LINE_CENTS, RingRun
from toneapp.measure.leak import MOST_PARTIALS
from toneapp.pitch import note_name
from toneapp.results import Cause, StrikeResult, SuspectDamper

__all__ = ["confirmed_by_others", "leaky_by_own_strikes", "rank_suspects", "without_lent"]

LEAST_LEAK_T60_S = 0.6
SURE_LEVEL_DB = -15.5
SURE_EXCESS_DB = 11.0
LIKELY_LEVEL_DB = -24.0
LIKELY_EXCESS_DB = 8.0
LIKELY_RATIO = 1.2
LEAST_HEARD_FROM = 4
ALONE_CENTS = 1.5
ALONE_PARTIALS = 8
"""A damper leaks for certain when 0.3 s after the release its note stands less than 15.5 dB below
the level before, and 11 dB above its neighbours. Down to 24 dB below, 8 dB above the neighbours,
and when its partials die slower than the neighbours' and the room, it is suspected, and that
stands when after the release of four other keys a line is heard that none but one of its lowest
eight partials explains, to 1.5 cents. Strings of other keys that share a partial ring some 16 to
30 dB below; dampers as they are made differ by a factor 2 (common practice, no source)."""

CLEAN_LEAK_PARTIALS = 3
CLEAN_LEAK_RATIO = 1.6
CLEAN_SUSPECT_RATIO = 1.4
CLEAN_LEAK_DB = -45.0
CLEAN_LEAK_LEVEL_DB = -27.0
"""Where the damper takes most of the sound at once and holds the rest badly, the level tells
little in a live room. A room leaves no clean lines: three of the six lowest partials that ring
cleanly for 1.6 times as long are a string's own. That and 11 dB above the neighbours is certain;
without, and from 1.4 times, it is suspected."""

SHOWN_RATIO = 1.6
SHOWN_EXCESS_DB = 8.0
"""From here a damper is shown in the list, lower down, without being held to ring for others."""

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


def leaky_by_own_strikes(run: RingRun) -> tuple[frozenset[int], frozenset[int]]:
    """Find the keys whose own strikes show that their dampers leak.

    Parameters
    ----------
    run : RingRun
        The run.

    Returns
    -------
    sure, suspected : frozenset of int
        Keys that leak for certain, and those of which others' strikes must tell.
    """
    votes: dict[int, list[tuple[float, float, float]]] = {}
    for item in run.measured:
        midi, t60_s = item.result.midi, item.partials_t60_s
        level = item.result.ring_levels_db[0]
        if midi > run.last_damper or t60_s is None or level is None:
            continue
        ratio = (
            t60_s / max(run.usual.t60_s(midi), run.room_s) if t60_s >= LEAST_LEAK_T60_S else 0.0
        )
        votes.setdefault(midi, []).append((level, level - run.usual.ring_level_db(midi), ratio))
    sure: set[int] = set()
    suspected: set[int] = set()
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
        level, excess, ratio = middle[midi]
        is_clean = _clean_partials(run, midi, ratio=CLEAN_LEAK_RATIO) >= CLEAN_LEAK_PARTIALS
        # Partials that strings already suspected share with the key tell nothing of its own.
        unshared = _clean_partials(run, midi, ratio=CLEAN_SUSPECT_RATIO, lenders=sure | suspected)
        may_be = unshared >= CLEAN_LEAK_PARTIALS
        is_loud = excess >= LIKELY_EXCESS_DB and level >= LIKELY_LEVEL_DB and ratio > 0.0
        if not (may_be or is_loud):
            continue
        if _is_lent(run, midi, sure, margin_cents=LENT_MARGIN_CENTS):
            continue
        is_free = midi not in run.held_on
        is_sure = is_free and (not is_long or _rings_cleanly(run, midi))
        if (is_sure and level >= SURE_LEVEL_DB and excess >= SURE_EXCESS_DB) or (
            is_free and is_clean and level >= CLEAN_LEAK_LEVEL_DB and excess >= SURE_EXCESS_DB
        ):
            sure.add(midi)
        elif (is_loud and ratio >= LIKELY_RATIO) or (may_be and is_free):
            suspected.add(midi)
    return frozenset(sure), frozenset(suspected)


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


def _clean_partials(
    run: RingRun, midi: int, *, ratio: float, lenders: Collection[int] = ()
) -> int:
    """Count the lowest partials of a key that ring on cleanly after its own strikes.

    Lines within three cents of a partial of the lenders are left out.
    """
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
            if line.t60_s - line.t60_s_se < ratio * run.room_s:
                continue
            if any(run.strings.distance_cents(line.hz, key) < LENT_CENTS for key in lenders):
                continue
            off_cents = np.abs(1200.0 * np.log2(line.hz / partials_hz))
            ringing |= off_cents < OWN_CENTS + 1731.23 * OWN_HZ / partials_hz
    return int(np.count_nonzero(ringing))


def _is_lent(run: RingRun, midi: int, leaky: Collection[int], *, margin_cents: float) -> bool:
    """Tell whether strings that are known to leak explain all that rings after a key's strikes.

    A string an octave away shares the key's partials, but not to the cent.
    """
    strings = run.strings
    if strings is None or not leaky:
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
                any(
                    strings.distance_cents(line.hz, other) < min(LENT_CENTS, off + margin_cents)
                    for other in leaky
                )
                for line, off in own
                if line.level_db > loudest - LENT_RANGE_DB
            )
        )
    return bool(votes) and float(np.mean(votes)) >= 0.5


def confirmed_by_others(
    run: RingRun,
    named: Sequence[StrikeResult],
    suspected: frozenset[int],
    *,
    known: frozenset[int],
) -> frozenset[int]:
    """Find the suspected dampers whose strings are heard after other keys' releases.

    Parameters
    ----------
    run : RingRun
        The run.
    named : sequence of StrikeResult
        Its strikes with `ringing` filled, the suspected strings among those that may ring.
    suspected, known : frozenset of int
        Keys whose dampers may leak, and those whose dampers do.

    Returns
    -------
    frozenset of int
        Those of the suspected that are heard. What follows a key's own strike tells nothing: there
        it may ring on from that.
    """
    witnesses = _witnesses(named, without=run.held_on)
    confirmed: set[int] = set()
    # One after the other: what the first explains speaks for no second.
    while left := suspected - confirmed:
        heard = {
            midi: len(
                _heard_alone(witnesses, midi, known=known | confirmed, last_damper=run.last_damper)
            )
            for midi in sorted(left)
        }
        most = max(heard, key=lambda midi: heard[midi])
        if heard[most] < LEAST_HEARD_FROM:
            break
        confirmed.add(most)
    return frozenset(confirmed)


def without_lent(
    run: RingRun, named: Sequence[StrikeResult], leaky: frozenset[int]
) -> frozenset[int]:
    """Leave out the keys that ring only where other leaking strings lend them a partial.

    Parameters
    ----------
    run : RingRun
        The run.
    named : sequence of StrikeResult
        Its strikes with `ringing` filled.
    leaky : frozenset of int
        Keys that seem to leak.

    Returns
    -------
    frozenset of int
        Those of them whose own strings ring.
    """
    witnesses = _witnesses(named, without=run.held_on)
    kept = set(leaky)
    for midi in sorted(leaky):
        others = frozenset(kept - {midi})
        heard = _heard_alone(witnesses, midi, known=others, last_damper=run.last_damper)
        if len(heard) < LEAST_HEARD_FROM and _is_lent(
            run, midi, others, margin_cents=-LENT_MARGIN_CENTS
        ):
            kept.remove(midi)
    return frozenset(kept)


def _witnesses(
    results: Sequence[StrikeResult], *, without: frozenset[int]
) -> list[tuple[int | None, StrikeResult]]:
    """Strikes whose release is known, each with the key that was struck just before."""
    in_time = sorted(results, key=lambda result: (result.source, result.onset_s))
    before = [None, *(result.midi for result in in_time[:-1])]
    return [
        (earlier, result)
        for earlier, result in zip(before, in_time, strict=True)
        if result.midi not in without
    ]


def _heard_alone(
    witnesses: Sequence[tuple[int | None, StrikeResult]],
    midi: int,
    *,
    known: frozenset[int],
    last_damper: int,
) -> set[int]:
    """Other struck keys after which only this damped string explains a line."""
    return {
        result.midi
        for before, result in witnesses
        for echo in result.ringing
        if echo.midi == midi
        and before != midi
        and echo.cause is Cause.OTHER_DAMPER
        and echo.partial is not None
        and echo.partial <= ALONE_PARTIALS
        and echo.cents_off is not None
        and abs(echo.cents_off) < ALONE_CENTS
        and not any(other.midi in known or other.midi > last_damper for other in echo.alternatives)
    }


def rank_suspects(
    run: RingRun, named: Sequence[StrikeResult], leaky: frozenset[int]
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

    Returns
    -------
    tuple of SuspectDamper
        The most suspect first. Keys that may have been held on are left out.
    """
    suspects = []
    struck = {result.midi for result in named if result.midi <= run.last_damper}
    for midi in sorted(struck - (run.held_on - leaky)):
        own = [result for result in named if result.midi == midi]
        damped = [
            item.partials_t60_s
            for item in run.measured
            if item.result.midi == midi and item.partials_t60_s is not None
        ]
        levels = [r.ring_levels_db[0] for r in own if r.ring_levels_db[0] is not None]
        t60_s = float(np.median(damped)) if damped else None
        level = float(np.median(levels)) if levels else None
        ratio = 0.0 if t60_s is None else t60_s / run.usual.t60_s(midi)
        excess = 0.0 if level is None else level - run.usual.ring_level_db(midi)
        if midi not in leaky and (ratio < SHOWN_RATIO or excess < SHOWN_EXCESS_DB):
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
