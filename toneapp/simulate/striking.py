"""How does one blow go on, with all that the same key does later?

`play` joins the struck strings (`toneapp.simulate.voice`) and the strings that answer
(`toneapp.simulate.sympathy`) into a `Strike`; `read_strike` says what an ideal measurement would
read from it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray
from toneapp.results import Cause
from toneapp.simulate.plan import Blow
from toneapp.simulate.sympathy import LEAK_LIMIT, NO_KEY, Answer, FreeStrings, answer
from toneapp.simulate.truth import (
    NoteTruth,
    RingingTruth,
    StrikeTruth,
    at_blow,
    broadband_decay,
)
from toneapp.simulate.voice import Segment, Stage, Voice

__all__ = ["Part", "Strike", "play", "read_strike"]

SAME_MOMENT_S = 0.02
"""A key struck again this soon after its release has not met its damper."""
RINGING_FLOOR_DB = -70.0
RING_TIMES_S = (0.3, 0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """A segment placed in the run."""

    start_s: float  # of the segment
    end_s: float
    onset_s: float  # of its strike
    attack_s: float  # the strike rises over this time
    rate: ComplexArray
    radiated: ComplexArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strike:
    """One blow worked out."""

    parts: list[Part]
    struck: list[Segment]
    answer: Answer
    release_s: float | None  # of the run
    free: bool


def play(blow: Blow, later: Sequence[Blow], voice: Voice, free: FreeStrings) -> Strike:
    """Follow one blow with what the same key does later."""
    hold: float | None = blow.hold_s
    again: list[tuple[float, float | None]] = []
    same = [other for other in later if other.midi == blow.midi][:3]
    previous_end = blow.onset_s + blow.hold_s
    for other in same:
        held_on = other.onset_s < previous_end + SAME_MOMENT_S
        if held_on and not again:
            hold = None
        elif held_on:
            again[-1] = (again[-1][0], None)
        again.append((other.onset_s - blow.onset_s, other.hold_s))
        previous_end = other.onset_s + other.hold_s
    attack_s = voice.contact_s(blow.velocity_m_per_s)
    stages: list[Stage] = voice.stages(hold, again)
    struck = voice.strike(blow.velocity_m_per_s, stages)
    heard = answer(free, voice, struck, attack_s=attack_s)
    parts = [
        Part(
            start_s=blow.onset_s + segment.start_s,
            end_s=blow.onset_s + segment.end_s,
            onset_s=blow.onset_s,
            attack_s=attack_s,
            rate=segment.rate,
            radiated=segment.radiated,
        )
        for segment in [*struck, *heard.segments]
    ]
    damped = voice.note.has_damper and hold is not None
    return Strike(
        parts=parts,
        struck=struck,
        answer=heard,
        release_s=blow.onset_s + blow.hold_s if damped else None,
        free=not voice.note.has_damper,
    )


def read_strike(
    blow: Blow, strike: Strike, voice: Voice, note: NoteTruth, free: FreeStrings
) -> StrikeTruth:
    """Gather what is known about one blow."""
    strength = voice.blow(blow.velocity_m_per_s) * voice.radiation
    modes = voice.modes()
    coefficient = modes.out * np.einsum("pkd,d->pk", modes.left, voice.table.excitation)
    decay, sustain = broadband_decay(modes.rate, coefficient * strength[:, None])
    end_s = max((part.end_s for part in strike.parts), default=blow.onset_s)
    damped: float | None = None
    rings: tuple[float | None, ...] | None = None
    ringing: tuple[RingingTruth, ...] = ()
    if strike.release_s is not None:
        release = strike.release_s - blow.onset_s
        everything = [*strike.struck, *strike.answer.segments]
        before = _power_at(everything, release - 0.005)
        if before > 0.0:
            rings = tuple(
                _fall_db(_power_at(everything, release + after_s), before)
                for after_s in RING_TIMES_S
            )
        damped = _damped_t60(strike.struck, release + voice.note.damper_time_s)
        peak = 0.5 * float(np.sum(np.abs(coefficient.sum(axis=1) * strength) ** 2))
        ringing = _ringing(strike, voice, free, release, peak)
    held = strike.release_s is None or sustain < blow.hold_s
    return StrikeTruth(
        midi=blow.midi,
        role=blow.role,
        expected_midi=blow.expected_midi,
        onset_s=blow.onset_s,
        release_s=strike.release_s,
        end_s=end_s,
        velocity_m_per_s=blow.velocity_m_per_s,
        f0_hz=note.f0_hz,
        B=note.B,
        f1_hz=note.f1_hz,
        partials=at_blow(note, voice, blow.velocity_m_per_s),
        prompt_t60_s=decay.prompt_t60_s,
        after_t60_s=decay.after_t60_s,
        sustain_20db_s=sustain if held else None,
        brightness_oct=voice.brightness_oct(blow.velocity_m_per_s),
        level_db=voice.level_db(blow.velocity_m_per_s),
        damped_t60_s=damped,
        ring_levels_db=rings,
        ringing=ringing,
    )


def _fall_db(after: float, before: float) -> float | None:
    """Level after relative to before; None when nothing is left."""
    return 10.0 * math.log10(after / before) if after > 0.0 else None


def _power_at(segments: Sequence[Segment], at_s: float) -> float:
    """Mean power of everything that sounds at a time from the strike."""
    total = 0.0
    for segment in segments:
        if segment.start_s <= at_s < segment.end_s:
            size = np.abs(segment.radiated) * np.exp(segment.rate.real * (at_s - segment.start_s))
            total += 0.5 * float(np.sum(size**2))
    return total


def _damped_t60(struck: Sequence[Segment], from_s: float) -> float | None:
    """T60 of the struck strings' power from 5 to 25 dB below its value at `from_s`."""
    times = from_s + np.linspace(0.0, 8.0, 1601)
    power = np.zeros(times.size)
    for segment in struck:
        inside = (times >= segment.start_s) & (times < segment.end_s)
        if np.any(inside):
            size = np.abs(segment.radiated)[:, None] * np.exp(
                segment.rate.real[:, None] * (times[inside] - segment.start_s)
            )
            power[inside] += 0.5 * np.sum(size**2, axis=0)
    if power[0] <= 0.0:
        return None
    level = 10.0 * np.log10(power / power[0] + 1e-12)
    use = (level <= -5.0) & (level >= -25.0)
    if np.count_nonzero(use) < 3:
        return None
    slope = float(np.polyfit(times[use], level[use], 1)[0])
    return -60.0 / slope


def _ringing(
    strike: Strike, voice: Voice, free: FreeStrings, release: float, peak: float
) -> tuple[RingingTruth, ...]:
    """List the strings that sound on after the release."""
    found: list[RingingTruth] = []
    after = release + 0.1
    if voice.note.damper_strength < LEAK_LIMIT:
        last = [s for s in strike.struck if s.start_s <= after < s.end_s]
        for segment in last:
            for n in np.unique(segment.partial):
                mine = segment.partial == n
                found += _one_ring(
                    voice.note.midi,
                    int(n),
                    segment.rate[mine],
                    segment.radiated[mine],
                    after - segment.start_s,
                    peak,
                    Cause.OWN_DAMPER,
                )
    for segment, which in zip(strike.answer.segments, strike.answer.which, strict=True):
        if not segment.start_s <= after < segment.end_s:
            continue
        rate, out = segment.rate[: which.size], segment.radiated[: which.size]
        keys = free.midi[which] * 1000 + free.partial[which]
        for key in np.unique(keys):
            mine = keys == key
            midi, n = divmod(int(key), 1000)
            if midi == NO_KEY:
                cause = Cause.NO_KEY
            elif voice.piano.note(midi).has_damper:
                cause = Cause.OTHER_DAMPER
            else:
                cause = Cause.UNDAMPED
            found += _one_ring(
                midi, n, rate[mine], out[mine], after - segment.start_s, peak, cause
            )
    return tuple(sorted(found, key=lambda r: -r.level_db))


def _one_ring(
    midi: int,
    n: int,
    rate: ComplexArray,
    out: ComplexArray,
    since_s: float,
    peak: float,
    cause: Cause,
) -> list[RingingTruth]:
    """Level, frequency and T60 of one partial's motions, if it is loud enough to matter."""
    now = out * np.exp(rate * since_s)
    t = np.linspace(0.0, 1.0, 60)
    wave = np.abs(now @ np.exp((rate - 1j * rate.imag.mean())[:, None] * t)) ** 2
    first = 0.5 * float(np.mean(wave[:6]))
    level_db = 10.0 * math.log10(first / peak + 1e-15)
    if level_db < RINGING_FLOOR_DB:
        return []
    slope = float(np.polyfit(t, 10.0 * np.log10(wave + 1e-30), 1)[0])
    energy = np.abs(now) ** 2 / -rate.real
    return [
        RingingTruth(
            midi=None if cause is Cause.NO_KEY else midi,
            partial=None if cause is Cause.NO_KEY else n,
            hz=float(np.sum(energy * rate.imag) / np.sum(energy) / (2.0 * math.pi)),
            level_db=level_db,
            level_at_release_db=level_db - slope * 0.1,
            t60_s=60.0 / max(-slope, 0.5),
            cause=cause,
        )
    ]
