"""One strike from sound to result: the order in which the measures of a strike are taken.

Functions: `measure_strike`, or `begin_strike` for each of several and `finish_strikes` for all of
them: the fits of their decays take less time side by side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import FloatArray
from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.strike_release import release_of
from toneapp.analysis.strike_sound import with_attack, with_sound
from toneapp.analysis.strike_task import StrikeTask
from toneapp.measure.beats import NoteBeats, measure_beats
from toneapp.measure.damping import measure_damping
from toneapp.measure.decay import NoteDecay, measure_decays
from toneapp.measure.leak import damped_partials, typical_t60_s
from toneapp.measure.partial_rise import PartialRise, measure_partial_rise
from toneapp.measure.release import Release
from toneapp.measure.ringing import AFTER_RELEASE_S, LEAST_S, RingLine, find_lines, rest_of
from toneapp.measure.ringing_known import RestSound
from toneapp.measure.stiff_string import partial_frequency_hz, typical_inharmonicity
from toneapp.measure.tone import HeldTone, measure_tone
from toneapp.pitch import hz_to_cents, note_name, ratio_to_cents
from toneapp.results import Flag, PartialResult, StrikeResult
from toneapp.signal.damped import DampedBands, cut_damped_bands
from toneapp.signal.decay import HeldPowers

__all__ = [
    "BegunStrike",
    "MeasuredStrike",
    "StrikeTask",
    "begin_strike",
    "finish_strikes",
    "measure_strike",
]

SERIES_RESIDUAL_CENTS = 2.0
"""Scatter about the stiff-string law above which it is said; plain strings keep to about 1 cent,
wound ones at the bottom to 4 or 5 (measured on a real grand)."""

DECAY_FROM_S = 0.04
"""Where the fit of the decay begins, in s from the onset: after the attack."""

BEATING_PARTIALS = 3
LEAST_BEAT_SAMPLES = 16
"""Beats are sought in the three lowest partials, where the strings of a unison show best."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredStrike:
    """Result of one strike, and what was heard after its release but has no name yet."""

    result: StrikeResult
    lines: tuple[RingLine, ...] = ()
    rest: RestSound | None = None  # the sound after the release
    hears_release: bool = False  # a release, and enough sound after it
    partials_t60_s: float | None = None  # median over the partials after the release
    tails_t60_s: tuple[float, ...] = ()  # of partials once the damper has done its work
    damped: DampedBands | None = None  # partials about the release, read when the room is known
    rise: PartialRise | None = None  # what the partials did at the onset


@dataclass(frozen=True, slots=True, kw_only=True)
class BegunStrike:
    """A strike of which all but the decay is measured."""

    measured: MeasuredStrike
    held: HeldPowers | None = None  # the held part, whose decay is to be measured
    earlier_flags: int = 0  # flags that come before those of the decay


def measure_strike(
    samples: FloatArray, *, sample_rate_hz: float, first_s: float, task: StrikeTask
) -> MeasuredStrike:
    """Take all measures of one strike.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Mono sound from shortly before the onset to the end of the strike.
    sample_rate_hz : float
        Sampling rate in Hz.
    first_s : float
        Time of the first sample in the recording, in s.
    task : StrikeTask
        The strike.

    Returns
    -------
    MeasuredStrike
        What could be measured; times in s of the recording.
    """
    begun = begin_strike(samples, sample_rate_hz=sample_rate_hz, first_s=first_s, task=task)
    return finish_strikes([begun])[0]


def begin_strike(
    samples: FloatArray, *, sample_rate_hz: float, first_s: float, task: StrikeTask
) -> BegunStrike:
    """Take all measures of one strike but its decay.

    Parameters
    ----------
    samples, sample_rate_hz, first_s, task
        As in `measure_strike`.

    Returns
    -------
    BegunStrike
        For `finish_strikes`.
    """
    strike = task.strike
    sound = samples - samples.mean()
    onset_s = strike.onset_s - first_s
    last_s = task.end_s - strike.onset_s
    bare = StrikeResult(
        midi=strike.midi,
        note=note_name(strike.midi),
        onset_s=strike.onset_s,
        end_s=task.end_s,
        source=task.source,
        flags=_label_flags(strike),
    )
    tone = _measure_tone(sound, task, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
    if tone is None:
        result = replace(bare, flags=(*bare.flags, Flag.NO_PITCH))
        result = with_sound(result, sound, task, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
        return BegunStrike(measured=MeasuredStrike(result=result))
    power = np.abs(tone.bands.envelopes) ** 2
    release = release_of(tone, power, task, last_s=last_s)
    if release.release_s is not None and release.release_s < tone.hold_s - 0.05:
        # The pitch was read beyond the release: once more, from the held part alone.
        again = _measure_tone(
            sound,
            task,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset_s,
            held_until_s=release.release_s,
        )
        if again is not None:
            tone, power = again, np.abs(again.bands.envelopes) ** 2
    result = _with_pitch(bare, tone)
    earlier_flags = len(result.flags)
    held = _held_part(tone, power, release, last_s=last_s)
    result = _with_damping(result, tone, power, release, task, held=held, last_s=last_s)
    result = with_sound(result, sound, task, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
    result = with_attack(result, sound, tone, task, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
    measured = MeasuredStrike(result=result)
    if release.release_s is not None:
        measured = _after_release(
            result,
            sound,
            tone,
            power,
            task,
            release_s=release.release_s,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset_s,
        )
    rise = _rise(sound, tone, strike.midi, sample_rate_hz=sample_rate_hz, onset_s=onset_s)
    return BegunStrike(
        measured=replace(measured, rise=rise), held=held, earlier_flags=earlier_flags
    )


def finish_strikes(begun: Sequence[BegunStrike]) -> list[MeasuredStrike]:
    """Measure the decays of some strikes, side by side.

    Parameters
    ----------
    begun : sequence of BegunStrike
        From `begin_strike`.

    Returns
    -------
    list of MeasuredStrike
        All that could be measured.
    """
    decays = iter(measure_decays([strike.held for strike in begun if strike.held is not None]))
    return [
        strike.measured if strike.held is None else _with_decay(strike, next(decays))
        for strike in begun
    ]


def _rise(
    sound: FloatArray, tone: HeldTone, midi: int, *, sample_rate_hz: float, onset_s: float
) -> PartialRise:
    """What the partials of the named string did at the onset."""
    inharmonicity = tone.fit.inharmonicity
    return measure_partial_rise(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        f0_hz=tone.fit.f0_hz,
        inharmonicity=(
            typical_inharmonicity(float(midi)) if inharmonicity is None else inharmonicity
        ),
    )


def _after_release(
    result: StrikeResult,
    sound: FloatArray,
    tone: HeldTone,
    power: FloatArray,
    task: StrikeTask,
    *,
    release_s: float,
    sample_rate_hz: float,
    onset_s: float,
) -> MeasuredStrike:
    """Keep what is heard after the release, which only the whole run can name."""
    last_s = task.end_s - result.onset_s
    damped = damped_partials(
        tone.bands.times_s,
        power,
        noise_power=tone.noise_power,
        centres_hz=tone.bands.centres_hz,
        release_s=release_s,
        end_s=last_s,
    )
    return MeasuredStrike(
        result=result,
        lines=find_lines(
            sound,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset_s,
            release_s=onset_s + release_s,
            end_s=onset_s + last_s,
            noise_density=task.noise.at,
        ),
        rest=rest_of(
            sound,
            sample_rate_hz=sample_rate_hz,
            onset_s=onset_s,
            release_s=onset_s + release_s,
            end_s=onset_s + last_s,
            noise_density=task.noise.at,
        ),
        partials_t60_s=typical_t60_s(damped),
        tails_t60_s=tuple(damped.tail_t60_s.tolist()),
        damped=cut_damped_bands(
            tone.transform,
            centres_hz=tone.bands.centres_hz,
            f0_hz=tone.fit.f0_hz,
            release_s=tone.onset_offset_s + release_s,
            end_s=tone.onset_offset_s + last_s,
            noise_density=task.noise.at,
        ),
        hears_release=last_s - release_s > LEAST_S + AFTER_RELEASE_S,
    )


def _measure_tone(
    sound: FloatArray,
    task: StrikeTask,
    *,
    sample_rate_hz: float,
    onset_s: float,
    held_until_s: float | None = None,
) -> HeldTone | None:
    """Partials and series of the strike."""
    return measure_tone(
        sound,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        midi=task.strike.midi,
        pitch=task.strike.pitch,
        noise_density=task.noise.at,
        noise_power=task.noise.power,
        held_until_s=held_until_s,
    )


def _with_pitch(result: StrikeResult, tone: HeldTone) -> StrikeResult:
    """Add pitch, series and partials."""
    fit = tone.fit
    flags = list(result.flags)
    if fit.inharmonicity is None:
        flags.append(Flag.FEW_PARTIALS)
    if not np.any(tone.partials.n == 1):
        flags.append(Flag.F1_INFERRED)
    if fit.residual_cents > SERIES_RESIDUAL_CENTS:
        flags.append(Flag.SERIES_RESIDUAL)
    return replace(
        result,
        f0_hz=fit.f0_hz,
        f0_hz_se=fit.f0_hz_se,
        f1_hz=fit.f1_hz,
        f1_hz_se=fit.f1_hz_se,
        B=fit.inharmonicity,
        B_se=fit.inharmonicity_se,
        cents=hz_to_cents(fit.f1_hz, midi=result.midi),
        cents_se=fit.f1_cents_se,
        series_residual_cents=fit.residual_cents,
        flags=tuple(flags),
    )


def _held_part(
    tone: HeldTone, power: FloatArray, release: Release, *, last_s: float
) -> HeldPowers:
    """What the decay is measured from: the partials from the attack to the release."""
    hold_s = release.release_s if release.release_s is not None else last_s
    # A narrow band answers slowly: neither the attack nor the release may reach into the decay.
    guard_s = min(0.5 / tone.half_width_hz, 0.06)
    return HeldPowers(
        times_s=tone.bands.times_s,
        power=power,
        noise_power=tone.noise_power,
        t_start_s=DECAY_FROM_S + guard_s,
        t_end_s=max(hold_s - guard_s, DECAY_FROM_S + guard_s),
        band_width_hz=tone.bands.noise_bandwidth_hz,
    )


def _with_damping(
    result: StrikeResult,
    tone: HeldTone,
    power: FloatArray,
    release: Release,
    task: StrikeTask,
    *,
    held: HeldPowers,
    last_s: float,
) -> StrikeResult:
    """Add beats, partials without their decays, release and damping."""
    beats = _beats(tone, t_start_s=held.t_start_s, t_end_s=held.t_end_s)
    flags = [*result.flags, *release.flags, *beats.flags]
    if task.is_cut_short and release.release_s is None:
        flags.append(Flag.CUT_SHORT)
    levels: tuple[float | None, float | None, float | None] = (None, None, None)
    is_limit = False
    if release.release_s is not None:
        damping = measure_damping(
            tone.bands.times_s,
            power,
            noise_power=tone.noise_power,
            release_s=release.release_s,
            t_end_s=last_s,
        )
        levels = damping.ring_levels_db
        is_limit = damping.ring_levels_are_limits[1]
        flags.extend(damping.flags)
    return replace(
        result,
        partials=_partials(tone, beats),
        beat_hz=beats.beat_hz,
        beat_depth_db=beats.depth_db,
        unison_spread_cents=beats.unison_spread_cents,
        release_s=_seen_release_s(result, release),
        ring_level_db=levels[1],
        ring_levels_db=levels,
        ring_level_is_limit=is_limit,
        flags=tuple(dict.fromkeys(flags)),
    )


def _with_decay(begun: BegunStrike, decay: NoteDecay) -> MeasuredStrike:
    """Add the decay of the note and of its partials."""
    result = begun.measured.result
    partials = list(result.partials)
    for i, fit in enumerate(decay.partials[: len(partials)]):
        partials[i] = replace(
            partials[i], prompt_t60_s=fit.prompt_t60_s, after_t60_s=fit.after_t60_s
        )
    earlier, later = result.flags[: begun.earlier_flags], result.flags[begun.earlier_flags :]
    result = replace(
        result,
        partials=tuple(partials),
        prompt_t60_s=decay.prompt_t60_s,
        prompt_t60_s_se=decay.prompt_t60_s_se,
        after_t60_s=decay.after_t60_s,
        after_t60_s_se=decay.after_t60_s_se,
        knee_s=decay.knee_s,
        aftersound_level_db=decay.aftersound_level_db,
        schroeder_t20_s=decay.schroeder_t20_s,
        sustain_20db_s=decay.sustain_20db_s,
        flags=tuple(dict.fromkeys((*earlier, *decay.flags, *later))),
    )
    return replace(begun.measured, result=result)


def _beats(tone: HeldTone, *, t_start_s: float, t_end_s: float) -> NoteBeats:
    """Beats of the partials among the first three that were found."""
    rows = np.flatnonzero(tone.partials.n <= BEATING_PARTIALS)
    inside = (tone.bands.times_s >= t_start_s) & (tone.bands.times_s <= t_end_s)
    if rows.size == 0 or np.count_nonzero(inside) < LEAST_BEAT_SAMPLES:
        return NoteBeats(flags=(Flag.BEATS_UNRESOLVED,))
    return measure_beats(
        tone.bands.times_s,
        tone.bands.envelopes[rows],
        partial_hz=tone.partials.peak_hz[rows],
        noise_power=tone.noise_power[rows],
        t_start_s=t_start_s,
        t_end_s=t_end_s,
    )


def _seen_release_s(result: StrikeResult, release: Release) -> float | None:
    """Release in the recording, when it was seen and not assumed."""
    if release.release_s is None or Flag.RELEASE_ASSUMED in release.flags:
        return None
    return result.onset_s + release.release_s


def _label_flags(strike: NamedStrike) -> tuple[Flag, ...]:
    """Flags that the labelling gives."""
    flags = []
    if strike.is_given:
        flags.append(Flag.LABEL_GIVEN)
    if strike.has_given_bounds:
        flags.append(Flag.BOUNDS_GIVEN)
    if strike.is_unexpected:
        flags.append(Flag.UNEXPECTED)
    if strike.is_second_blow:
        flags.append(Flag.DOUBLE_BLOW)
    if strike.is_uncertain and not strike.is_given:
        flags.append(Flag.NOTE_UNCERTAIN)
    return tuple(flags)


def _partials(tone: HeldTone, beats: NoteBeats) -> tuple[PartialResult, ...]:
    """Partial table of a held tone, without decays."""
    fit = tone.fit
    b = fit.inharmonicity if fit.inharmonicity is not None else 0.0
    fitted = partial_frequency_hz(tone.partials.n, f0_hz=fit.f0_hz, inharmonicity=b)
    off = ratio_to_cents(tone.peak_hz / fitted)
    low = np.flatnonzero(tone.partials.n <= BEATING_PARTIALS)
    beating = dict(zip(low.tolist(), beats.partials, strict=False))
    return tuple(
        PartialResult(
            n=int(n),
            hz=float(tone.peak_hz[i]),
            hz_se=float(tone.partials.hz_se[i]),
            level_db=float(20.0 * np.log10(max(tone.partials.amplitude[i], 1e-12))),
            cents_from_fit=float(off[i]) if fit.inharmonicity is not None else None,
            beat_hz=beating[i].beat_hz if i in beating else None,
            beat_depth_db=beating[i].depth_db if i in beating else None,
        )
        for i, n in enumerate(tone.partials.n)
    )
