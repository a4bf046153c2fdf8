"""Damping and ringing over a whole run: which dampers leak, and which strings are heard?

One strike alone cannot say whether a slow decay after the release is a leaking damper, the usual
damper of a long string, or the room. The run can: the room is common to all notes, the usual
damper to the neighbours, and a string that leaks after its own blow is the first suspect when it
is heard after others'.

Functions: `judge_ringing`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.damping import measure_damping
from toneapp.measure.echo import OwnResidue, StringTable, build_strings, name_lines
from toneapp.measure.series import partial_frequency_hz
from toneapp.pitch import note_name
from toneapp.results import (
    Cause,
    EchoString,
    EchoSummary,
    Flag,
    RingOn,
    StrikeResult,
    SuspectDamper,
)

__all__ = ["judge_ringing"]

USUAL_LAST_DAMPER_MIDI = 89
"""F6: the dampers of most pianos end between E6 and G6 (common practice, no source)."""

NEIGHBOURS = 7
"""Keys on each side that tell the usual damper of a place."""

SURE_LEVEL_DB = -15.5
LIKELY_LEVEL_DB = -20.0
LEAK_EXCESS_DB = 11.0
LIKELY_RATIO = 2.0
LEAST_LEAK_T60_S = 0.6
LEAST_HEARD_FROM = 4
"""A damper leaks for certain when 0.3 s after the release its note stands less than 15.5 dB below
the level before, and 11 dB above its neighbours. Down to 20 dB below, and when its partials die
twice as slowly as its neighbours', it is suspected, and that stands when its strings are heard
after the release of four other keys. Strings of other keys that share a partial ring some 16 to
30 dB below; dampers as they are made differ by a factor 2 (common practice, no source)."""

SHOWN_RATIO = 1.6
SHOWN_EXCESS_DB = 8.0
"""From here a damper is shown in the list, lower down, without being held to ring for others."""

OWN_LINE_CENTS = 6.0
LENT_MARGIN_CENTS = 0.3
LENT_CENTS = 3.0
LENT_RANGE_DB = 12.0
"""A line within 6 cents of a partial of the struck key may be its own. It is lent by another
string when that one's partial is nearer, or hardly farther, and within 3 cents. The lines within
12 dB of the loudest count."""

ROOM_QUANTILE = 0.35
MOST_OVER_TAILS = 1.5
LEAST_TAILS = 12
REST_FROM_HZ = 300.0
REST_QUANTILE = 0.05
REST_SHARE = 0.7
LEAST_RESTS = 30
"""Once the damper has done its work a partial dies as the room does, or slower where strings ring
on. Narrow bands of a room scatter: where it alone is heard, the fastest twentieth of the lines at
the struck notes' own partials dies in 0.7 of the reverberation time (0.62 to 0.77 on simulated
pianos in rooms of 0.3 to 0.9 s, leaking dampers or none). Of the decays soon after the release a
third from below is the middle of those that no string lengthens."""


def judge_ringing(
    measured: Sequence[MeasuredStrike], *, layout: KeyboardLayout
) -> tuple[list[StrikeResult], RingOn | None]:
    """Name what rings after each release, and sum it up over the run.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        Strikes of the run with the lines after their releases.
    layout : KeyboardLayout
        Compass and last damper, if known.

    Returns
    -------
    strikes : list of StrikeResult
        The strikes with `ringing` filled.
    ring_on : RingOn or None
        ``None`` when no strike of the run shows a release.
    """
    results = [item.result for item in measured]
    if not any(item.hears_release for item in measured):
        return results, None
    last_damper, is_given = _last_damper(results, layout)
    room_t60_s = _room_t60_s(measured)
    room = room_t60_s if room_t60_s is not None else 0.4
    if room_t60_s is not None:
        measured = [_without_room(item, room_t60_s) for item in measured]
        results = [item.result for item in measured]
    usual = _usual_damping(measured, last_damper=last_damper, room_t60_s=room)
    strings = build_strings(results)
    sure, suspected = _leaky_keys(
        measured, usual, strings, last_damper=last_damper, room_t60_s=room
    )
    leaky = sure | suspected
    named = _name_all(measured, strings, usual, leaky, last_damper=last_damper, room_t60_s=room)
    confirmed = sure | {
        key for key in suspected if len(_heard_from(named, key)) >= LEAST_HEARD_FROM
    }
    if confirmed != leaky:
        leaky = confirmed
        named = _name_all(
            measured, strings, usual, leaky, last_damper=last_damper, room_t60_s=room
        )
    heard = [item.hears_release for item in measured]
    echo_db, echo_se = _treble_echo(named, heard, last_damper=last_damper)
    return named, RingOn(
        last_damper_midi=last_damper,
        last_damper_is_given=is_given,
        room_t60_s=room_t60_s,
        suspects=_suspects(measured, named, usual, leaky, last_damper=last_damper),
        echo_strings=_echo_strings(named),
        treble_echo_db=echo_db,
        treble_echo_db_se=echo_se,
        strikes_heard=sum(heard),
        flags=() if strings is not None else (Flag.TOO_FEW_NOTES,),
    )


def _without_room(item: MeasuredStrike, room_t60_s: float) -> MeasuredStrike:
    """Read the damped decay again beside the room's own."""
    curve = item.damping
    if curve is None or curve.times_s.size < 8:
        return item
    damping = measure_damping(
        curve.times_s,
        curve.power[None, :],
        noise_power=np.array([curve.noise_power]),
        release_s=curve.release_s,
        t_end_s=curve.end_s,
        room_t60_s=room_t60_s,
    )
    if damping.damped_t60_s is None:
        return item
    return replace(item, result=replace(item.result, damped_t60_s=damping.damped_t60_s))


def _name_all(
    measured: Sequence[MeasuredStrike],
    strings: StringTable | None,
    usual: _Usual,
    leaky: frozenset[int],
    *,
    last_damper: int,
    room_t60_s: float,
) -> list[StrikeResult]:
    """Name the lines after every release."""
    named: list[StrikeResult] = []
    for item in measured:
        result = item.result
        if strings is None or not item.lines or result.midi > last_damper:
            named.append(result)
            continue
        ringing = name_lines(
            item.lines,
            struck_midi=result.midi,
            strings=strings,
            last_damper_midi=last_damper,
            leaky=leaky,
            own=OwnResidue(usual_t60_s=usual.t60_s(result.midi), is_leaky=result.midi in leaky),
            room_t60_s=room_t60_s,
        )
        named.append(replace(result, ringing=ringing))
    return named


def _heard_from(results: Sequence[StrikeResult], midi: int) -> set[int]:
    """Other struck keys after whose release a damped string is heard."""
    return {
        result.midi
        for result in results
        for echo in result.ringing
        if echo.midi == midi and echo.cause is Cause.OTHER_DAMPER
    }


def _last_damper(results: Sequence[StrikeResult], layout: KeyboardLayout) -> tuple[int, bool]:
    """Highest key with a damper: given, or where the releases end."""
    if layout.last_damper_midi is not None:
        return layout.last_damper_midi, True
    top = [result for result in results if 72 <= result.midi <= 100]
    if not any(result.midi >= USUAL_LAST_DAMPER_MIDI + 2 for result in top):
        return USUAL_LAST_DAMPER_MIDI, False
    # The split with the fewest contradictions; the usual one wins a tie.
    splits = np.arange(80, 94)
    wrong = [
        sum((result.release_s is not None) != (result.midi <= split) for result in top)
        + 0.1 * abs(int(split) - USUAL_LAST_DAMPER_MIDI)
        for split in splits
    ]
    return int(splits[int(np.argmin(wrong))]), False


def _room_t60_s(measured: Sequence[MeasuredStrike]) -> float | None:
    """Reverberation time of the room: what no damped partial of the run falls below.

    The lines at the struck notes' own partials, followed until the noise, keep to the room or to
    a string that rings. Where they are too few, as in a dry room with sound dampers, the decay
    soon after the damper's work is read.
    """
    rests = [t60 for item in measured if item.hears_release for t60 in _rests_t60_s(item)]
    tails = [t60 for item in measured for t60 in item.tails_t60_s]
    by_tails_s = float(np.quantile(tails, ROOM_QUANTILE)) if len(tails) >= LEAST_TAILS else None
    if len(rests) < LEAST_RESTS:
        return by_tails_s
    by_rests_s = float(np.quantile(rests, REST_QUANTILE)) / REST_SHARE
    if by_tails_s is None:
        return by_rests_s
    # Where dampers leak the rests are the strings', not the room's: the tails then hold them down.
    return min(by_rests_s, MOST_OVER_TAILS * by_tails_s)


def _rests_t60_s(item: MeasuredStrike) -> list[float]:
    """Decay times of the lines at the struck note's own partials."""
    result = item.result
    if result.f0_hz is None:
        return []
    found = []
    for line in item.lines:
        if line.hz < REST_FROM_HZ:
            continue
        n = max(1, round(line.hz / result.f0_hz))
        near = partial_frequency_hz(
            np.arange(max(1, n - 2), n + 2), f0_hz=result.f0_hz, inharmonicity=result.B or 0.0
        )
        if float(np.min(np.abs(1200.0 * np.log2(line.hz / near)))) < OWN_LINE_CENTS:
            found.append(line.t60_s)
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Usual:
    """Usual damping over the keyboard."""

    midi: FloatArray
    log_t60: FloatArray
    ring_db: FloatArray

    def t60_s(self, midi: int) -> float:
        """Damped T60 of the dampers around a key."""
        return float(np.exp(np.interp(midi, self.midi, self.log_t60)))

    def ring_level_db(self, midi: int) -> float:
        """Level 0.3 s after the release of the dampers around a key."""
        return float(np.interp(midi, self.midi, self.ring_db))


def _usual_damping(
    measured: Sequence[MeasuredStrike], *, last_damper: int, room_t60_s: float
) -> _Usual:
    """Median over the neighbours of the damped T60 and of the level 0.3 s after the release."""
    rows = [
        (item.result.midi, item.partials_t60_s, item.result.ring_levels_db[0])
        for item in measured
        if item.result.midi <= last_damper and item.partials_t60_s is not None
    ]
    if not rows:
        return _Usual(
            midi=np.array([60.0]),
            log_t60=np.log(np.array([max(room_t60_s, 0.3)])),
            ring_db=np.array([-40.0]),
        )
    midi = np.array([row[0] for row in rows], dtype=np.float64)
    log_t60 = np.log(np.array([row[1] for row in rows], dtype=np.float64))
    ring = np.array([np.nan if row[2] is None else row[2] for row in rows], dtype=np.float64)
    keys = np.unique(midi)
    usual_t60, usual_ring = [], []
    for key in keys:
        near = (np.abs(midi - key) <= NEIGHBOURS) & (midi != key)
        if np.count_nonzero(near) < 3:
            near = np.ones(midi.size, dtype=np.bool_)
        # The lower half of the neighbours: some of them may leak themselves.
        usual_t60.append(float(np.quantile(log_t60[near], 0.4)))
        seen = near & np.isfinite(ring)
        usual_ring.append(float(np.quantile(ring[seen], 0.4)) if seen.any() else -40.0)
    return _Usual(midi=keys, log_t60=np.array(usual_t60), ring_db=np.array(usual_ring))


def _leaky_keys(
    measured: Sequence[MeasuredStrike],
    usual: _Usual,
    strings: StringTable | None,
    *,
    last_damper: int,
    room_t60_s: float,
) -> tuple[frozenset[int], frozenset[int]]:
    """Keys whose own strikes show that their dampers leak: for certain, and perhaps."""
    votes: dict[int, list[tuple[float, float, float]]] = {}
    for item in measured:
        midi, t60_s = item.result.midi, item.partials_t60_s
        level = item.result.ring_levels_db[0]
        if midi > last_damper or t60_s is None or level is None:
            continue
        ratio = t60_s / max(usual.t60_s(midi), room_t60_s) if t60_s >= LEAST_LEAK_T60_S else 0.0
        votes.setdefault(midi, []).append((level, level - usual.ring_level_db(midi), ratio))
    sure: set[int] = set()
    suspected: set[int] = set()
    middle = {
        midi: tuple(float(np.median(column)) for column in zip(*rows, strict=True))
        for midi, rows in votes.items()
    }
    for midi in sorted(middle, key=lambda key: -middle[key][0]):
        level, excess, ratio = middle[midi]
        if excess < LEAK_EXCESS_DB or level < LIKELY_LEVEL_DB or ratio <= 0.0:
            continue
        if _is_lent(measured, midi, strings, sure | suspected):
            continue
        if level >= SURE_LEVEL_DB:
            sure.add(midi)
        elif ratio >= LIKELY_RATIO:
            suspected.add(midi)
    return frozenset(sure), frozenset(suspected)


def _is_lent(
    measured: Sequence[MeasuredStrike],
    midi: int,
    strings: StringTable | None,
    leaky: set[int],
) -> bool:
    """Tell whether strings that are known to leak explain all that rings after a key's strikes.

    A string an octave away shares the key's partials, but not to the cent.
    """
    if strings is None or not leaky:
        return False
    votes = []
    for item in measured:
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
            all(
                any(
                    strings.distance_cents(line.hz, other)
                    < min(LENT_CENTS, off + LENT_MARGIN_CENTS)
                    for other in leaky
                )
                for line, off in own
                if line.level_db > loudest - LENT_RANGE_DB
            )
        )
    return bool(votes) and float(np.mean(votes)) >= 0.5


def _suspects(
    measured: Sequence[MeasuredStrike],
    results: Sequence[StrikeResult],
    usual: _Usual,
    leaky: frozenset[int],
    *,
    last_damper: int,
) -> tuple[SuspectDamper, ...]:
    """Rank the dampers by what their own strikes and others' tell against them."""
    suspects = []
    for midi in sorted({result.midi for result in results if result.midi <= last_damper}):
        own = [result for result in results if result.midi == midi]
        damped = [
            item.partials_t60_s
            for item in measured
            if item.result.midi == midi and item.partials_t60_s is not None
        ]
        levels = [r.ring_levels_db[0] for r in own if r.ring_levels_db[0] is not None]
        t60_s = float(np.median(damped)) if damped else None
        level = float(np.median(levels)) if levels else None
        ratio = 0.0 if t60_s is None else t60_s / usual.t60_s(midi)
        excess = 0.0 if level is None else level - usual.ring_level_db(midi)
        if midi not in leaky and (ratio < SHOWN_RATIO or excess < SHOWN_EXCESS_DB):
            continue
        others = tuple(sorted(_heard_from(results, midi)))
        suspicion = float(np.log2(max(ratio, 0.25))) + float(np.clip(excess / 20.0, -1.0, 2.0))
        if midi in leaky:
            suspicion += 1.0 + min(len(others), 10) / 10.0
        suspects.append(
            SuspectDamper(
                midi=midi,
                note=note_name(midi),
                suspicion=suspicion,
                damped_t60_s=t60_s,
                usual_t60_s=usual.t60_s(midi),
                ring_level_db=level,
                heard_from=others,
            )
        )
    return tuple(sorted(suspects, key=lambda suspect: -suspect.suspicion))


def _echo_strings(results: Sequence[StrikeResult]) -> tuple[EchoSummary, ...]:
    """Sum up every string over the strikes after which it is heard, loudest first."""
    heard: dict[tuple[int, Cause], list[tuple[int, EchoString]]] = {}
    for result in results:
        for echo in result.ringing:
            if echo.midi is not None and echo.cause in (Cause.UNDAMPED, Cause.OTHER_DAMPER):
                heard.setdefault((echo.midi, echo.cause), []).append((result.midi, echo))
    summaries = []
    for (midi, cause), echoes in heard.items():
        levels = np.array([echo.level_db for _, echo in echoes])
        summaries.append(
            EchoSummary(
                midi=midi,
                note=note_name(midi),
                cause=cause,
                from_keys=tuple(sorted({key for key, _ in echoes})),
                level_db=float(10.0 * np.log10(np.mean(10.0 ** (levels / 10.0)))),
                loudest_db=float(levels.max()),
                t60_s=float(
                    np.median([echo.t60_s for _, echo in echoes if echo.t60_s is not None])
                ),
            )
        )
    # What is heard most: energy summed over the strikes.
    return tuple(
        sorted(
            summaries,
            key=lambda item: -(item.level_db + 10.0 * np.log10(len(item.from_keys))),
        )
    )


def _treble_echo(
    results: Sequence[StrikeResult], heard: Sequence[bool], *, last_damper: int
) -> tuple[float | None, float | None]:
    """Energy mean over the damped strikes of what strings without dampers add, in dB."""
    energies = [
        sum(
            10.0 ** (echo.level_db / 10.0)
            for echo in result.ringing
            if echo.cause is Cause.UNDAMPED
        )
        for result, hears in zip(results, heard, strict=True)
        if hears and result.midi <= last_damper
    ]
    if len(energies) < 5 or not any(energies):
        return None, None
    values = np.asarray(energies)
    mean = float(values.mean())
    se = float(values.std(ddof=1) / np.sqrt(values.size))
    return 10.0 * float(np.log10(mean)), 10.0 / float(np.log(10.0)) * se / mean
