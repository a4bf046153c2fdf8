"""What is common to a whole run: last damper, room, usual damping, where the strings lie.

Functions: `read_last_damper`, `read_run`, `with_leaking_strings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import KeyboardLayout
from toneapp.measure.echo_strings import (
    StringTable,
    build_strings,
    with_leaking_lines,
    with_own_lines,
)
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.results import Flag, StrikeResult

__all__ = [
    "OWN_LINE_CENTS",
    "RingRun",
    "UsualDamping",
    "read_last_damper",
    "read_run",
    "with_leaking_strings",
]

USUAL_LAST_DAMPER_MIDI = 89
"""F6: the dampers of most pianos end between E6 and G6 (common practice, no source)."""

USUAL_ROOM_T60_S = 0.4

NEIGHBOURS = 7
"""Keys on each side that tell the usual damper of a place."""

OWN_LINE_CENTS = 6.0
"""A line within this of a partial of the struck key may be its own."""

FREE_CENTS, FREE_HZ = 3.0, 0.3
"""So near to one of the lowest partials of a string without a damper a line may be that string's,
which rings wherever something else sounds at its frequency and is heard more often."""

MOST_UNSEEN = 3
MOST_UNSEEN_SHARE = 0.12
"""So many keys, or so large a share of them, may be without a release that can be heard, and still
pass for keys whose dampers leak: six of 88 are many. Where there are more, keys were held on."""

ROOM_QUANTILE = 0.35
MOST_OVER_TAILS = 1.5
LEAST_RELEASES = 4  # fewer strikes tell of themselves, not of the room
LEAST_TAILS = 12
REST_FROM_HZ = 300.0
REST_QUANTILE = 0.1
REST_SHARE = 0.8
REST_SE_SHARE = 0.1
FEW_RESTS, MANY_RESTS = 1.0, 2.0
USUAL_BASS_RISE = 1.15
LEAST_RESTS = 10
BASS_HZ = 500.0
BASS_FULL_HZ, BASS_NONE_HZ = 400.0, 600.0
BASS_FROM_HZ, BASS_UP_TO_HZ = 60.0, 2000.0
BASS_QUANTILE = 0.4
BASS_LEAST = 8
MOST_BASS_RISE = 1.5
"""Once the damper has done its work a partial dies as the room does, or slower where strings ring
on. A string is a clean line, the room is none, but its narrow bands scatter: of the lines at the
struck notes' own partials that are not clean, and whose decay is known to a tenth, the fastest
tenth dies in about 0.8 of the reverberation time (0.64 to 0.80 on eight simulated pianos with
sound dampers in rooms of 0.3 to 0.9 s, 0.74 to 1.2 with leaking ones). In a live room, which
leaves two such lines and more after a release, few of them are strings': then the middle one is
the room's. Of the decays soon after the release a third from below is the middle of those that no
string lengthens. Rooms without absorbers for the bass last longer there (common practice, no
source): below 500 Hz by what the lines there and from there to 2 kHz differ, one and a half times
at most, and by the usual rise where too few lines tell it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UsualDamping:
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RingRun:
    """A run's strikes and what they have in common."""

    measured: tuple[MeasuredStrike, ...]
    last_damper: int
    is_given: bool  # the last damper was given, not read
    room_t60_s: float | None
    bass_rise: float  # how many times as long the room lasts in the bass
    liveness: float  # 0 where little of the room is heard after the releases, 1 where much is
    usual: UsualDamping
    strings: StringTable | None
    held_on: frozenset[int]  # keys without a release that may have been held into the next note

    @property
    def room_s(self) -> float:
        """Reverberation time, or a usual one where it is not known."""
        return USUAL_ROOM_T60_S if self.room_t60_s is None else self.room_t60_s

    def is_near_free(self, hz: float) -> bool:
        """Tell whether a string without a damper may ring at a frequency."""
        if self.strings is None:
            return False
        near = self.strings.near_free(
            np.array([hz]),
            last_damper_midi=self.last_damper,
            cents=FREE_CENTS,
            wide_hz=FREE_HZ,
        )
        return bool(near[0])

    def room_at_s(self, hz: FloatArray) -> FloatArray:
        """Reverberation time at given frequencies."""
        places = np.log([BASS_FULL_HZ, BASS_NONE_HZ])
        return self.room_s * np.interp(np.log(hz), places, [self.bass_rise, 1.0])


def with_leaking_strings(run: RingRun, leaky: frozenset[int]) -> RingRun:
    """Place the strings of leaking keys by what rings on after their own strikes.

    Parameters
    ----------
    run : RingRun
        The run.
    leaky : frozenset of int
        Keys whose dampers leak.

    Returns
    -------
    RingRun
        The same run with those strings placed anew.
    """
    if run.strings is None:
        return run
    own = [(item.result.midi, item.lines) for item in run.measured if item.result.midi in leaky]
    return replace(
        run, strings=with_leaking_lines(run.strings, own, last_damper_midi=run.last_damper)
    )


def read_run(measured: Sequence[MeasuredStrike], *, layout: KeyboardLayout) -> RingRun:
    """Gather what the strikes of a run have in common.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        Strikes of the run with the lines after their releases.
    layout : KeyboardLayout
        Compass and last damper, if known.

    Returns
    -------
    RingRun
        What `judge_ringing` needs of the run.
    """
    last_damper, is_given = read_last_damper([item.result for item in measured], layout)
    rests = [row for item in measured if item.hears_release for row in _rests(item)]
    liveness = _liveness(measured, rests)
    room_t60_s = _room_t60_s(measured, rests, liveness)
    strings = build_strings([item.result for item in measured])
    if strings is not None:
        strings = with_own_lines(
            strings,
            [(item.result.midi, item.lines) for item in measured],
            last_damper_midi=last_damper,
        )
    return RingRun(
        measured=tuple(measured),
        last_damper=last_damper,
        is_given=is_given,
        room_t60_s=room_t60_s,
        bass_rise=_bass_rise(rests),
        liveness=liveness,
        usual=_usual_damping(
            measured,
            last_damper=last_damper,
            room_t60_s=USUAL_ROOM_T60_S if room_t60_s is None else room_t60_s,
        ),
        strings=strings,
        held_on=_held_on(measured, last_damper=last_damper),
    )


def read_last_damper(results: Sequence[StrikeResult], layout: KeyboardLayout) -> tuple[int, bool]:
    """Find the highest key with a damper.

    Parameters
    ----------
    results : sequence of StrikeResult
        Strikes of the run.
    layout : KeyboardLayout
        Compass and last damper, if known.

    Returns
    -------
    midi : int
        As given, or where the releases end.
    is_given : bool
        Whether it was given.
    """
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


def _liveness(measured: Sequence[MeasuredStrike], lines: Sequence[tuple[float, float]]) -> float:
    """How much of the room is heard, by the lines that a release leaves at its own partials."""
    released = sum(item.hears_release for item in measured)
    rests = sum(hz >= REST_FROM_HZ for hz, _ in lines)
    return float(np.interp(rests / max(released, 1), (FEW_RESTS, MANY_RESTS), (0.0, 1.0)))


def _room_t60_s(
    measured: Sequence[MeasuredStrike], lines: Sequence[tuple[float, float]], liveness: float
) -> float | None:
    """Reverberation time of the room: what no damped partial of the run falls below.

    The lines at the struck notes' own partials, followed until the noise, keep to the room or to
    a string that rings. Where they are too few, as in a dry room with sound dampers, the decay
    soon after the damper's work is read.
    """
    rests = [t60_s for hz, t60_s in lines if hz >= REST_FROM_HZ]
    released = sum(item.hears_release for item in measured)
    if released < LEAST_RELEASES:
        return None
    tails = [t60 for item in measured for t60 in item.tails_t60_s]
    by_tails_s = float(np.quantile(tails, ROOM_QUANTILE)) if len(tails) >= LEAST_TAILS else None
    if len(rests) < LEAST_RESTS:
        return by_tails_s
    quantile = REST_QUANTILE + liveness * (0.5 - REST_QUANTILE)
    by_rests_s = float(np.quantile(rests, quantile)) / (REST_SHARE + liveness * (1.0 - REST_SHARE))
    if by_tails_s is None:
        return by_rests_s
    # Where dampers leak the rests are the strings', not the room's: the tails then hold them down.
    return min(by_rests_s, MOST_OVER_TAILS * by_tails_s)


def _bass_rise(lines: Sequence[tuple[float, float]]) -> float:
    """How many times as long the lines at the struck notes' own partials last in the bass."""
    bass = [t60_s for hz, t60_s in lines if BASS_FROM_HZ <= hz < BASS_HZ]
    rest = [t60_s for hz, t60_s in lines if BASS_HZ <= hz < BASS_UP_TO_HZ]
    if min(len(bass), len(rest)) < BASS_LEAST:
        return USUAL_BASS_RISE
    rise = float(np.quantile(bass, BASS_QUANTILE) / np.quantile(rest, BASS_QUANTILE))
    return min(max(rise, 1.0), MOST_BASS_RISE)


def _rests(item: MeasuredStrike) -> list[tuple[float, float]]:
    """Frequencies and decay times of the lines at the struck note's own partials."""
    result = item.result
    if result.f0_hz is None:
        return []
    found = []
    for line in item.lines:
        is_sure = line.t60_s_se < REST_SE_SHARE * line.t60_s
        if line.is_clean or not is_sure:
            continue
        n = max(1, round(line.hz / result.f0_hz))
        near = partial_frequency_hz(
            np.arange(max(1, n - 2), n + 2), f0_hz=result.f0_hz, inharmonicity=result.B or 0.0
        )
        if float(np.min(np.abs(1200.0 * np.log2(line.hz / near)))) < OWN_LINE_CENTS:
            found.append((line.hz, line.t60_s))
    return found


def _usual_damping(
    measured: Sequence[MeasuredStrike], *, last_damper: int, room_t60_s: float
) -> UsualDamping:
    """Median over the neighbours of the damped T60 and of the level 0.3 s after the release."""
    rows = [
        (item.result.midi, item.partials_t60_s, item.result.ring_levels_db[0])
        for item in measured
        if item.result.midi <= last_damper and item.partials_t60_s is not None
    ]
    if not rows:
        return UsualDamping(
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
    return UsualDamping(midi=keys, log_t60=np.array(usual_t60), ring_db=np.array(usual_ring))


def _held_on(measured: Sequence[MeasuredStrike], *, last_damper: int) -> frozenset[int]:
    """Keys whose releases were never heard, when they are too many for leaking dampers.

    A key that is held on into the next note sounds like one whose damper does not hold.
    """
    damped = [item for item in measured if item.result.midi <= last_damper]
    heard = {item.result.midi for item in damped if not _is_assumed(item)}
    unseen = {item.result.midi for item in damped if _is_assumed(item)} - heard
    most = max(MOST_UNSEEN, MOST_UNSEEN_SHARE * len({item.result.midi for item in damped}))
    return frozenset(unseen) if len(unseen) > most else frozenset()


def _is_assumed(item: MeasuredStrike) -> bool:
    """Tell whether a release was taken from the neighbours."""
    return Flag.RELEASE_ASSUMED in item.result.flags
