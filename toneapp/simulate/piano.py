"""How is a random but plausible piano drawn, and how are known defects put in?

`make_piano` draws a new instrument, `Faults` says what is wrong with it, `random_faults` draws
that too. The size of each quantity is taken from the literature where it has one (named at the
constant) and is common practice without a source otherwise.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from toneapp._typing import FloatArray
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.pitch import midi_to_hz
from toneapp.simulate.instrument import BackLength, NoteSpec, PianoSpec, Soundboard

__all__ = ["Faults", "make_piano", "random_faults"]

MAX_PARTIALS = 110
HIGHEST_PARTIAL_HZ = 16000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Known defects, by MIDI number; added to what the random piano has anyway."""

    hardness_oct: Mapping[int, float] = field(default_factory=dict)
    level_db: Mapping[int, float] = field(default_factory=dict)
    damper_strength: Mapping[int, float] = field(default_factory=dict)  # 0.01 .. 0.3
    prompt_factor: Mapping[int, float] = field(default_factory=dict)  # on the prompt T60
    detuned_cents: Mapping[int, float] = field(default_factory=dict)  # whole note
    unison_cents: Mapping[int, float] = field(default_factory=dict)  # last string alone
    false_beat_hz: Mapping[int, float] = field(default_factory=dict)


def make_piano(
    rng: np.random.Generator,
    *,
    kind: Literal["upright", "grand"] = "grand",
    compass: Compass = FULL_COMPASS,
    a4_hz: float = 440.0,
    stretch_cents: float | None = None,
    tuning_scatter_cents: float = 1.0,
    unison_scatter_cents: float = 0.35,
    hardness_scatter_oct: float = 0.08,
    level_scatter_db: float = 0.8,
    last_damper_midi: int | None = None,
    first_plain_midi: int | None = None,
    sympathy: float | None = None,
    back_lengths: int = 0,
    faults: Faults | None = None,
) -> PianoSpec:
    """Draw a random, plausible instrument.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of everything random.
    kind : {"upright", "grand"}
        Uprights have shorter bass strings: more inharmonicity, faster decay, weaker dampers.
    compass : Compass
        Range of keys.
    a4_hz : float
        Pitch of A4 in Hz.
    stretch_cents : float or None
        How far the top note leaves equal temperament; the whole curve is scaled to it. None
        takes the curve as its octaves make it (some 20 to 40 at C8; Railsback 1938: about 30).
    tuning_scatter_cents, unison_scatter_cents : float
        Standard deviation of notes about the stretch curve, and of strings about their note.
    hardness_scatter_oct, level_scatter_db : float
        Standard deviation of hammers in octaves of brightness and of notes in dB.
    last_damper_midi, first_plain_midi : int or None
        Breaks; drawn when None.
    sympathy : float or None
        Share of the bridge's motion that reaches free strings, drawn from 0.5 to 1 when None; a
        larger value makes a treble that echoes more.
    back_lengths : int
        How many lengths of string beyond the bridge ring where no key's string does.
    faults : Faults or None
        Defects added.

    Returns
    -------
    PianoSpec
        The instrument.
    """
    faults = faults or Faults()
    last_damper = int(rng.integers(86, 92)) if last_damper_midi is None else last_damper_midi
    low, high = (41, 48) if kind == "grand" else (45, 54)
    first_plain = int(rng.integers(low, high)) if first_plain_midi is None else first_plain_midi
    bridge_top = first_plain - int(rng.integers(0, 3))
    singles_top = 21 + int(rng.integers(8, 13))
    law = _draw_curves(rng, kind)
    if stretch_cents is not None:
        law = dataclasses.replace(law, stretch_scale=stretch_cents / law.stretch_at(108.0))
    scatter = _Scatter(
        tuning_cents=tuning_scatter_cents,
        unison_cents=unison_scatter_cents,
        hardness_oct=hardness_scatter_oct,
        level_db=level_scatter_db,
    )
    notes = []
    for midi in compass:
        strings = 1 if midi <= singles_top else 2 if midi < first_plain else 3
        note = _draw_note(
            rng,
            midi,
            strings=strings,
            wound=midi < first_plain,
            damped=midi <= last_damper,
            a4_hz=a4_hz,
            law=law,
            scatter=scatter,
        )
        notes.append(_with_faults(note, faults))
    return PianoSpec(
        kind=kind,
        compass=compass,
        a4_hz=a4_hz,
        first_plain_midi=first_plain,
        last_damper_midi=last_damper,
        bass_bridge_top_midi=bridge_top,
        notes=tuple(notes),
        soundboard=_draw_soundboard(rng, kind),
        sympathy=float(rng.uniform(0.5, 1.0)) if sympathy is None else sympathy,
        key_noise_db=float(rng.uniform(-54.0, -42.0)),
        back_lengths=tuple(
            BackLength(
                hz=float(np.exp(rng.uniform(math.log(900.0), math.log(5000.0)))),
                t60_s=float(rng.uniform(0.8, 2.5)),
                coupling=float(rng.uniform(0.3, 1.0)),
            )
            for _ in range(back_lengths)
        ),
    )


def random_faults(
    rng: np.random.Generator,
    *,
    compass: Compass = FULL_COMPASS,
    hammers: int = 8,
    loud: int = 2,
    leaky: int = 6,
    last_damper_midi: int = 88,
    smallest_hardness_oct: float = 0.35,
) -> Faults:
    """Draw distinct keys with hard or dull hammers, uneven loudness and leaky dampers.

    Returns
    -------
    Faults
        Hammers off by ``smallest_hardness_oct`` to twice that, either way (towards soft in the
        top octave only half of it exists to lose); loudness off by 4 to 7 dB; damping rates
        reduced to 1 to 8 %.
    """
    keys = list(compass)
    chosen = rng.permutation([midi for midi in keys if midi <= compass.highest_midi - 24])
    hard = chosen[:hammers]
    level = chosen[hammers : hammers + loud]
    with_damper = [midi for midi in keys if midi <= last_damper_midi]
    leak = rng.permutation(with_damper)[:leaky]
    return Faults(
        hardness_oct={
            int(m): float(rng.choice([-1, 1]) * rng.uniform(1.0, 2.0) * smallest_hardness_oct)
            for m in hard
        },
        level_db={int(m): float(rng.choice([-1, 1]) * rng.uniform(4.0, 7.0)) for m in level},
        damper_strength={int(m): float(rng.uniform(0.01, 0.08)) for m in leak},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scatter:
    """Standard deviations between neighbouring notes."""

    tuning_cents: float
    unison_cents: float
    hardness_oct: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curves:
    """Smooth laws of one instrument over the MIDI number: points joined linearly."""

    anchors: FloatArray
    log_b_points: FloatArray
    log_prompt: FloatArray
    after_ratio: float
    log_contact: FloatArray
    felt_exponent: FloatArray
    log_damped: FloatArray
    level_db: FloatArray
    knock_db: FloatArray
    wound_cents: float
    stretch_scale: float = 1.0

    def at(self, points: FloatArray, midi: float) -> float:
        """Value of one law at a key."""
        return float(np.interp(midi, self.anchors, points))

    def stretch_at(self, midi: float) -> float:
        """Cents of f1 from equal temperament when octaves are tuned without beats, 0 at A4.

        An octave is tuned so that partial 2 k of the lower note meets partial k of the upper
        one, k = 5 to 3 in the bass, 2 in the middle and 1 in the treble; the octaves' excess over
        1200 cents is spread evenly over their twelve steps.
        """
        steps = np.linspace(69.0, midi, 1 + 4 * max(1, round(abs(midi - 69.0))))
        slope = np.array([self._octave_cents(float(m) - 6.0) / 12.0 for m in steps])
        return self.stretch_scale * float(np.trapezoid(slope, steps))

    def _octave_cents(self, low_midi: float) -> float:
        """Excess of the octave above a key over 1200 cents."""
        lower = math.exp(self.at(self.log_b_points, low_midi))
        upper = math.exp(self.at(self.log_b_points, low_midi + 12.0))

        def excess(k: int) -> float:
            low = (1.0 + (2 * k) ** 2 * lower) / (1.0 + lower)
            return 600.0 * math.log2(low * (1.0 + upper) / (1.0 + k**2 * upper))

        kinds = [excess(5), excess(3), excess(2), excess(1)]
        return float(np.interp(low_midi, [22.0, 38.0, 55.0, 80.0], kinds))


_ANCHORS = np.array([12.0, 21.0, 33.0, 45.0, 60.0, 72.0, 84.0, 93.0, 108.0, 120.0])


def _draw_curves(rng: np.random.Generator, kind: Literal["upright", "grand"]) -> _Curves:
    """Draw the smooth laws of one instrument."""
    small = kind == "upright"

    def wander(sd: float) -> FloatArray:
        return np.asarray(rng.normal(0.0, sd, _ANCHORS.size))

    # B: Young 1952 above middle C (3.5e-4, doubling every 8 semitones); smaller below, with its
    # minimum near the break; A0 2e-4 (long) to 6e-4 (short).
    at_c4 = 3.5e-4 * math.exp(rng.normal(0.0, 0.12))
    low = 4.5e-4 if small else 2.4e-4
    dip = 1.5e-4 if small else 8e-5
    b = np.array([1.5 * low, low, 1.25 * dip, dip, at_c4] + [0.0] * 5)
    b[5:] = at_c4 * 2.0 ** ((_ANCHORS[5:] - 60.0) / 8.0)
    b[1:4] *= math.exp(rng.normal(0.0, 0.12))
    b[3] = max(b[3], 0.42 * at_c4) if small else b[3] * 1.5
    shorter = 0.75 if small else 1.0
    prompt = shorter * np.array([17.0, 15.0, 13.0, 10.5, 7.5, 5.0, 2.6, 1.5, 0.7, 0.4])
    contact = 1e-3 * np.array([3.3, 3.2, 2.9, 2.7, 2.4, 2.0, 1.6, 1.25, 0.8, 0.7])
    damped = np.array([0.9, 0.75, 0.5, 0.3, 0.18, 0.13, 0.10, 0.09, 0.08, 0.08])
    return _Curves(
        anchors=_ANCHORS,
        log_b_points=np.log(b),
        log_prompt=np.log(prompt) + wander(0.08),
        after_ratio=float(rng.uniform(2.8, 4.2)),
        log_contact=np.log(contact) + wander(0.05) - (0.05 if small else 0.0),
        felt_exponent=np.interp(_ANCHORS, [21, 60, 108], [3.0, 3.1, 3.4]) + wander(0.08),
        log_damped=np.log(damped) + wander(0.08) + (0.15 if small else 0.0),
        level_db=np.interp(_ANCHORS, [21, 40, 60, 84, 108], [-4.0, -2.0, 0.0, -1.0, -7.0])
        + wander(0.7),
        knock_db=np.interp(_ANCHORS, [21, 60, 84, 108], [-27.0, -24.0, -18.0, -8.0]) + wander(1.0),
        wound_cents=float(rng.uniform(3.5, 5.5)),
    )


def _draw_note(
    rng: np.random.Generator,
    midi: int,
    *,
    strings: int,
    wound: bool,
    damped: bool,
    a4_hz: float,
    law: _Curves,
    scatter: _Scatter,
) -> NoteSpec:
    """Draw one key."""
    B = math.exp(law.at(law.log_b_points, midi) + rng.normal(0.0, 0.07 if wound else 0.025))
    cents = law.stretch_at(midi) + rng.normal(0.0, scatter.tuning_cents)
    f1 = midi_to_hz(midi, a4_hz=a4_hz) * 2.0 ** (cents / 1200.0)
    f0 = f1 / math.sqrt(1.0 + B)
    count = int(min(MAX_PARTIALS, _count_partials(f0, B)))
    detune = rng.normal(0.0, scatter.unison_cents, strings)
    detune -= detune.mean()
    treble = min(1.0, max(0.0, (midi - 84.0) / 24.0))
    depth = max(0.0, (45.0 - midi) / 24.0) ** 1.5 if wound else 0.0
    size_cents = 1.0 + (law.wound_cents - 1.0) * depth if wound else 0.4 - 0.2 * treble
    prompt = math.exp(law.at(law.log_prompt, midi) + rng.normal(0.0, 0.07))
    return NoteSpec(
        midi=midi,
        f0_hz=f0,
        B=B,
        string_cents=tuple(float(c) for c in detune),
        string_gains=tuple(float(g) for g in 1.0 + rng.normal(0.0, 0.08, strings)),
        wound=wound,
        partial_deviation_cents=_draw_deviation(rng, count, size_cents, B=B, rough=wound),
        strike_ratio=float((1 / 8.0) * (1.0 - 0.42 * treble) * math.exp(rng.normal(0.0, 0.025))),
        contact_time_s=math.exp(law.at(law.log_contact, midi)),
        felt_exponent=law.at(law.felt_exponent, midi),
        hardness_oct=float(rng.normal(0.0, scatter.hardness_oct)),
        level_offset_db=float(rng.normal(0.0, scatter.level_db)),
        level_trend_db=law.at(law.level_db, midi),
        knock_db=law.at(law.knock_db, midi) + float(rng.normal(0.0, 1.0)),
        prompt_t60_s=prompt,
        after_t60_s=prompt * law.after_ratio * math.exp(rng.normal(0.0, 0.1)),
        partial_rate_scatter=tuple(float(x) for x in np.exp(rng.normal(0.0, 0.22, count))),
        decay_slope=float(rng.uniform(0.3, 0.45)),
        reactive_ratio=float(rng.normal(0.0, 0.15)),
        horizontal_coupling=float(rng.uniform(0.18, 0.3)),
        horizontal_excitation=float(rng.uniform(0.2, 0.5)),
        horizontal_cents=float(rng.normal(0.0, 0.15)),
        damped_t60_s=(
            math.exp(law.at(law.log_damped, midi) + rng.normal(0.0, 0.1)) if damped else None
        ),
        damper_strength=1.0,
        damper_ratio=float(rng.uniform(0.09, 0.16)),
        damper_time_s=float(rng.uniform(0.010, 0.030)),
    )


def _count_partials(f0_hz: float, B: float) -> int:
    """Count the partials below the highest frequency that is simulated."""
    n = np.arange(1, 2 * MAX_PARTIALS)
    return max(1, int(np.sum(n * f0_hz * np.sqrt(1.0 + B * n**2) < HIGHEST_PARTIAL_HZ)))


def _draw_deviation(
    rng: np.random.Generator, count: int, size_cents: float, *, B: float, rough: bool
) -> tuple[float, ...]:
    """Draw cents of each partial from the law, smooth over the partial number when `rough`.

    What a change of f0 or B could take up is removed, weighted towards the partials that carry
    the sound, so that f0 and B stay what they are said to be.
    """
    x = rng.normal(0.0, 1.0, count)
    memory = 0.6 if rough else 0.0
    for k in range(1, count):
        x[k] = memory * x[k - 1] + math.sqrt(1.0 - memory**2) * x[k]
    if count <= 2:
        return tuple(0.0 for _ in range(count))
    n = np.arange(1, count + 1, dtype=np.float64)
    weight = 1.0 / (1.0 + (n / max(4.0, 0.4 * count)) ** 4)
    # Cents by which a change of f0 and one of B move each partial.
    basis = np.stack([np.ones(count), n**2 / (1.0 + B * n**2)], axis=1)
    taken = np.linalg.lstsq(basis * weight[:, None], x * weight, rcond=None)[0]
    x = x - basis @ taken
    used = x[: min(count, 24)]
    return tuple(float(v) for v in size_cents * x / max(float(np.std(used)), 0.3))


def _draw_soundboard(rng: np.random.Generator, kind: Literal["upright", "grand"]) -> Soundboard:
    """Draw radiation and low modes: a high pass, a broad plateau, modes of a few dB, a fall."""
    grid = np.geomspace(15.0, 24000.0, 420)
    corner = 75.0 if kind == "upright" else 60.0
    level = -10.0 * np.log10(1.0 + (corner / grid) ** 4)
    level -= 10.0 * np.log10(1.0 + (grid / rng.uniform(2800.0, 4500.0)) ** 2)
    rough = rng.normal(0.0, 1.0, grid.size)
    kernel = np.hanning(7)
    rough = np.convolve(rough, kernel / np.sqrt(np.sum(kernel**2)), mode="same")
    phase = np.convolve(rng.normal(0.0, 1.0, grid.size), np.hanning(15), mode="same")
    modes = np.sort(np.exp(rng.uniform(math.log(55.0), math.log(1400.0), 26)))
    pulls = np.sort(rng.uniform(45.0, 200.0, 5))
    return Soundboard(
        grid_hz=tuple(float(x) for x in grid),
        response_db=tuple(float(x) for x in level + 2.2 * rough),
        phase_rad=tuple(float(x) for x in 0.6 * phase),
        mode_hz=tuple(float(x) for x in modes),
        mode_t60_s=tuple(float(x) for x in 6.9 / (np.pi * modes * rng.uniform(0.015, 0.03, 26))),
        pull_hz=tuple(float(x) for x in pulls),
        pull_width_hz=tuple(float(x) for x in pulls * rng.uniform(0.06, 0.15, 5)),
        pull_cents=tuple(float(x) for x in rng.uniform(1.5, 7.0, 5)),
    )


def _with_faults(note: NoteSpec, faults: Faults) -> NoteSpec:
    """Put the defects of one key in."""
    midi = note.midi
    changes: dict[str, Any] = {}
    if midi in faults.hardness_oct:
        changes["hardness_oct"] = faults.hardness_oct[midi]
    if midi in faults.level_db:
        changes["level_offset_db"] = faults.level_db[midi]
    if midi in faults.damper_strength and note.has_damper:
        changes["damper_strength"] = faults.damper_strength[midi]
    if midi in faults.prompt_factor:
        changes["prompt_t60_s"] = note.prompt_t60_s * faults.prompt_factor[midi]
    if midi in faults.detuned_cents:
        changes["f0_hz"] = note.f0_hz * 2.0 ** (faults.detuned_cents[midi] / 1200.0)
    if midi in faults.unison_cents and len(note.string_cents) > 1:
        # The other strings stay where they were; the mean of the note moves with the last one.
        shift = faults.unison_cents[midi]
        cents = np.array(note.string_cents)
        cents[-1] += shift
        mean = float(cents.mean())
        changes["string_cents"] = tuple(float(c) for c in cents - mean)
        changes["f0_hz"] = changes.get("f0_hz", note.f0_hz) * 2.0 ** (mean / 1200.0)
    if midi in faults.false_beat_hz:
        beat = faults.false_beat_hz[midi]
        changes["horizontal_cents"] = 1200.0 * math.log2(1.0 + beat / note.f1_hz)
        changes["horizontal_coupling"] = 0.6
        changes["horizontal_excitation"] = 0.7
    return dataclasses.replace(note, **changes) if changes else note
