"""How strong is each partial of one key at a given blow, and how does one strike go on?

A `Voice` is a key ready to be struck: partials, motions, hammer and level calibrated. A strike is
a chain of `Segment`s (key held, damper coming down in steps, damper down, struck again), each a
sum of decaying complex exponentials; the state of the strings goes on unbroken from one to the
next.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from toneapp._typing import ComplexArray, FloatArray
from toneapp.simulate.hammer import contact_time_s, pulse_spectrum
from toneapp.simulate.instrument import REFERENCE_VELOCITY_M_PER_S, NoteSpec, PianoSpec
from toneapp.simulate.strings import Eigenmodes, PartialTable, eigenmodes, partial_table

__all__ = ["REFERENCE_LEVEL_DBFS", "Segment", "Stage", "Voice", "a_weighting_db"]

REFERENCE_LEVEL_DBFS = -36.0
"""A-weighted RMS of the first 0.5 s of a mid-keyboard note at 2 m/s, before the room."""
ATTACK_WINDOW_S = 0.2
LEVEL_WINDOW_S = 0.5
DAMPER_STEPS = 5
LEAST_YIELD = 0.35
"""Octaves of brightness per halving of the contact time assumed at the least."""
AUDIBLE_DB = -78.0
"""Motions this far below the strike's start are left out."""


def a_weighting_db(frequency_hz: FloatArray) -> FloatArray:
    """A-weighting of IEC 61672-1 (annex E, analytic form) in dB."""
    f2 = np.asarray(frequency_hz, dtype=np.float64) ** 2
    top = 12194.217**2 * f2**2
    bottom = (f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
    return np.asarray(20.0 * np.log10(top / (bottom * (f2 + 12194.217**2))) + 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What happens to the strings for a while after a strike."""

    start_s: float  # from the strike
    damper_share: float = 0.0
    extra_rate: float = 0.0  # 1/s, a hammer meeting strings that move


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segment:
    """``Re(sum(coefficient * exp(rate * (t - start))))`` from `start_s` to `end_s`."""

    start_s: float  # from the strike
    end_s: float
    rate: ComplexArray  # (m,) 1/s
    bridge: ComplexArray  # (m,) motion of the bridge
    radiated: ComplexArray  # (m,) sound
    partial: FloatArray  # (m,) partial number of each


@dataclass(slots=True, kw_only=True, eq=False)
class Voice:
    """One key of a piano, ready to be struck."""

    piano: PianoSpec
    note: NoteSpec
    table: PartialTable
    radiation: ComplexArray  # (p,)
    shape: FloatArray  # (p,) mean magnitude over the attack window, unit excitation
    energy: FloatArray  # (p,) mean square over the level window, unit excitation
    gain: float  # fixes the level at 2 m/s
    softness_oct: float  # stretch of the contact time that gives the hammer its hardness
    _modes: dict[tuple[float, float], Eigenmodes] = field(default_factory=dict)

    @classmethod
    def build(cls, piano: PianoSpec, midi: int) -> Voice:
        """Set up one key: calibrate its level and its hammer."""
        note = piano.note(midi)
        table = partial_table(piano, note)
        voice = cls(
            piano=piano,
            note=note,
            table=table,
            radiation=piano.soundboard.gain(table.hz),
            shape=np.ones(table.n.size),
            energy=np.ones(table.n.size),
            gain=1.0,
            softness_oct=0.0,
        )
        modes = voice.modes()
        start = modes.left @ table.excitation
        coef = modes.out * start
        t = np.linspace(0.0, LEVEL_WINDOW_S, 101)
        slow = modes.rate - 1j * table.omega.mean(axis=1)[:, None]
        wave = np.abs(np.einsum("pk,pkt->pt", coef, np.exp(slow[:, :, None] * t)))
        voice.shape = wave[:, t <= ATTACK_WINDOW_S].mean(axis=1)
        voice.energy = 0.5 * np.mean(wave**2, axis=1)
        target = REFERENCE_LEVEL_DBFS + note.level_trend_db + note.level_offset_db
        voice.gain = 10.0 ** ((target - voice.level_db(REFERENCE_VELOCITY_M_PER_S)) / 20.0)
        voice.softness_oct = voice._solve_softness()
        return voice

    def modes(self, *, damper_share: float = 0.0, extra_rate: float = 0.0) -> Eigenmodes:
        """Free motions in a state; kept for the next strike."""
        key = (damper_share, extra_rate)
        if key not in self._modes:
            self._modes[key] = eigenmodes(
                self.table, damper_share=damper_share, extra_rate=extra_rate
            )
        return self._modes[key]

    def contact_s(self, velocity_m_per_s: float) -> float:
        """Time of contact of this key's hammer, in s."""
        return contact_time_s(
            velocity_m_per_s,
            reference_s=self.note.contact_time_s,
            felt_exponent=self.note.felt_exponent,
            softness_oct=self.softness_oct,
        )

    def blow(self, velocity_m_per_s: float) -> FloatArray:
        """Signed strength of each partial at the bridge, shape (p,).

        A force pulse F starts mode n with a velocity ~ F(f_n) sin(n pi alpha); the force on the
        bridge, ~ n times the displacement, has the same form (n / f_n is nearly constant).
        """
        ratio = velocity_m_per_s / REFERENCE_VELOCITY_M_PER_S
        pulse = pulse_spectrum(
            self.table.hz,
            contact_s=self.contact_s(velocity_m_per_s),
            nominal_contact_s=self.note.contact_time_s,
        )
        comb = np.sin(self.table.n * np.pi * self.note.strike_ratio)
        # A hammer is some 10 mm wide and the string stiff: no partial is missing altogether.
        comb = np.copysign(np.sqrt(comb**2 + 0.03**2), comb)
        return np.asarray(self.gain * ratio * pulse * comb)

    def attack_magnitudes(self, velocity_m_per_s: float) -> FloatArray:
        """Mean magnitude of each partial's sound over the first 0.2 s, shape (p,)."""
        heard = np.abs(self.blow(velocity_m_per_s) * self.radiation)
        return np.asarray(heard * self.shape)

    def brightness_oct(self, velocity_m_per_s: float) -> float:
        """Magnitude-weighted centroid of `attack_magnitudes` over f1, in octaves."""
        weight = self.attack_magnitudes(velocity_m_per_s)
        centroid_hz = float(np.sum(weight * self.table.hz) / np.sum(weight))
        return math.log2(centroid_hz / self.note.f1_hz)

    def level_db(self, velocity_m_per_s: float) -> float:
        """A-weighted RMS of the first 0.5 s, in dBFS, before the room."""
        heard = np.abs(self.blow(velocity_m_per_s) * self.radiation) ** 2 * self.energy
        weighted = heard * 10.0 ** (a_weighting_db(self.table.hz) / 10.0)
        return float(10.0 * np.log10(np.sum(weighted)))

    def velocity_at_level(self, level_db: float) -> float:
        """Hammer speed in m/s that gives this level (A-weighted, dBFS, before the room)."""
        speeds = np.geomspace(0.05, 20.0, 60)
        levels = np.array([self.level_db(float(v)) for v in speeds])
        return float(np.exp(np.interp(level_db, levels, np.log(speeds))))

    def _solve_softness(self) -> float:
        """Find the contact time that moves the brightness by the hammer's hardness.

        In the top octaves, where hardly more than one partial sounds, a hammer cannot change the
        centroid that much: there the same felt gives less.
        """
        if self.note.hardness_oct == 0.0:
            return 0.0
        self.softness_oct = 0.1
        softer = self.brightness_oct(REFERENCE_VELOCITY_M_PER_S)
        self.softness_oct = -0.1
        harder = self.brightness_oct(REFERENCE_VELOCITY_M_PER_S)
        self.softness_oct = 0.0
        yields = max((harder - softer) / 0.2, LEAST_YIELD)
        return -self.note.hardness_oct / yields

    def stages(
        self, hold_s: float | None, again: Sequence[tuple[float, float | None]] = ()
    ) -> list[Stage]:
        """Plan what happens to the strings after a strike.

        Parameters
        ----------
        hold_s : float or None
            Time from the strike to the release of the key; None when the damper never falls.
        again : sequence of (float, float or None)
            Later strikes on the same key: time from this strike, and its own hold.
        """
        found = [Stage(start_s=0.0)]
        steps = self.note.damper_time_s / DAMPER_STEPS

        def let_go(at_s: float) -> None:
            for step in range(DAMPER_STEPS + 1):
                share = (step + 0.5) / DAMPER_STEPS if step < DAMPER_STEPS else 1.0
                found.append(Stage(start_s=at_s + step * steps, damper_share=share**2))

        if hold_s is not None and self.note.has_damper:
            let_go(hold_s)
        for at_s, its_hold in again:
            found = [stage for stage in found if stage.start_s < at_s]
            found.append(Stage(start_s=at_s, extra_rate=math.log(4.0) / 0.004))
            found.append(Stage(start_s=at_s + 0.004))
            if its_hold is not None and self.note.has_damper:
                let_go(at_s + its_hold)
        return found

    def strike(self, velocity_m_per_s: float, stages: Sequence[Stage]) -> list[Segment]:
        """Follow the strings through the stages until nothing is left to hear."""
        amplitude = self.blow(velocity_m_per_s)
        state = amplitude[:, None].astype(np.complex128) * self.table.excitation
        phase = np.exp(-1j * 0.5 * np.pi)  # the bridge force starts from rest: a sine
        state = state * phase
        floor = 10.0 ** (AUDIBLE_DB / 20.0) * float(
            np.max(np.abs(self.radiation) * np.abs(amplitude)) * np.sum(self.table.u)
        )
        found: list[Segment] = []
        for index, stage in enumerate(stages):
            modes = self.modes(damper_share=stage.damper_share, extra_rate=stage.extra_rate)
            weights = np.einsum("pkd,pd->pk", modes.left, state)
            bridge = modes.out * weights
            radiated = bridge * self.radiation[:, None]
            loud = np.abs(radiated)
            # ln(loud / floor) / decay: when each motion falls below what is heard.
            lasts = np.log(np.maximum(loud / floor, 1.0)) / -modes.rate.real
            longest = float(lasts.max())
            end = stages[index + 1].start_s if index + 1 < len(stages) else math.inf
            end = min(end, stage.start_s + longest)
            keep = loud > floor
            if np.any(keep):
                numbers = np.broadcast_to(self.table.n[:, None], keep.shape)
                found.append(
                    Segment(
                        start_s=stage.start_s,
                        end_s=end,
                        rate=modes.rate[keep],
                        bridge=bridge[keep],
                        radiated=radiated[keep],
                        partial=numbers[keep],
                    )
                )
            if index + 1 == len(stages) or longest <= 0.0:
                break
            span = stages[index + 1].start_s - stage.start_s
            weights = weights * np.exp(modes.rate * span)
            state = np.einsum("pdk,pk->pd", modes.right, weights)
        return found
