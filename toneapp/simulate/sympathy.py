"""Which other strings does a strike set going, and how long do they ring?

The bridge carries the motion of the struck strings to every string that is free: those above the
last damper and those whose damper leaks. Each of their motions is a resonator with eigenvalue
``lam``; a struck motion ``c exp(mu t)`` drives it to
``k c (exp(mu t) - exp(lam t)) / (mu - lam)``, so what is left after the release depends on how
closely the frequencies meet and on the breadth of the attack.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import ComplexArray, FloatArray, IntArray
from toneapp.simulate.instrument import PianoSpec
from toneapp.simulate.voice import Segment, Voice

__all__ = ["LEAK_LIMIT", "NO_KEY", "Answer", "FreeStrings", "answer"]

LEAK_LIMIT = 0.5
"""A damper at less than this share of its strength leaves its strings free to answer."""
NO_KEY = 0
"""Stands for the MIDI number of lengths of string that belong to no key."""
HIGHEST_ANSWER_HZ = 9000.0
AUDIBLE_DB = -84.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeStrings:
    """All motions of all strings that can answer; f entries."""

    midi: IntArray  # (f,)
    partial: IntArray  # (f,)
    rate: ComplexArray  # (f,) 1/s
    take: ComplexArray  # (f,) what the motion takes from the bridge, 1/s**0.5
    radiated: ComplexArray  # (f,) sound of a unit motion

    @classmethod
    def build(cls, piano: PianoSpec, voices: Sequence[Voice]) -> FreeStrings:
        """Gather the free strings among the voices."""
        columns: list[tuple[FloatArray, FloatArray, ComplexArray, ComplexArray, ComplexArray]] = []
        for voice in voices:
            note = voice.note
            if note.has_damper and note.damper_strength >= LEAK_LIMIT:
                continue
            table = voice.table
            modes = voice.modes(damper_share=1.0 if note.has_damper else 0.0)
            keep = table.hz < HIGHEST_ANSWER_HZ
            # Coupling of two strings over a common bridge: geometric mean of their own.
            take = (
                np.einsum("pkd,d->pk", modes.left, table.u)
                * np.sqrt(np.abs(table.eta.real))[:, None]
            )
            take = take * piano.sympathy
            sound = modes.out * voice.radiation[:, None]
            shape = modes.rate[keep].shape
            columns.append(
                (
                    np.full(shape, float(note.midi)).ravel(),
                    np.broadcast_to(table.n[keep][:, None], shape).ravel(),
                    modes.rate[keep].ravel(),
                    take[keep].ravel(),
                    sound[keep].ravel(),
                )
            )
        if piano.back_lengths:
            hz = np.array([length.hz for length in piano.back_lengths])
            decay = math.log(1000.0) / np.array([length.t60_s for length in piano.back_lengths])
            share = np.array([length.coupling for length in piano.back_lengths])
            columns.append(
                (
                    np.full(hz.size, float(NO_KEY)),
                    np.arange(1.0, hz.size + 1.0),
                    -decay + 2j * np.pi * hz,
                    (share * piano.sympathy).astype(np.complex128),
                    piano.soundboard.gain(hz),
                )
            )
        if not columns:
            empty = np.zeros(0, dtype=np.complex128)
            none = np.zeros(0, dtype=np.int64)
            return cls(midi=none, partial=none, rate=empty, take=empty, radiated=empty)
        joined = [np.concatenate(parts) for parts in zip(*columns, strict=True)]
        return cls(
            midi=joined[0].astype(np.int64),
            partial=joined[1].astype(np.int64),
            rate=joined[2],
            take=joined[3],
            radiated=joined[4],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """Sound of the free strings during and after one strike."""

    segments: list[Segment]
    which: list[IntArray]  # index into FreeStrings of each segment's first motions


def answer(
    free: FreeStrings, voice: Voice, struck: Sequence[Segment], *, attack_s: float
) -> Answer:
    """Follow the free strings through one strike.

    Parameters
    ----------
    free : FreeStrings
        Strings that can answer.
    voice : Voice
        The struck key; its own strings do not answer themselves.
    struck : sequence of Segment
        What the strike does.
    attack_s : float
        Time the blow takes: it narrows the band that the attack excites.

    Returns
    -------
    Answer
        Segments of the free motions; the last has no other end than silence.
    """
    use = np.flatnonzero(free.midi != voice.note.midi)
    if use.size == 0 or not struck:
        return Answer(segments=[], which=[])
    rate = free.rate[use]
    take = free.take[use]
    loud = float(np.sum(np.abs(struck[0].radiated)))
    floor = 10.0 ** (AUDIBLE_DB / 20.0) * loud
    coupling = np.sqrt(np.abs(voice.table.eta.real))
    state = np.zeros(use.size, dtype=np.complex128)
    segments: list[Segment] = []
    which: list[IntArray] = []
    for index, segment in enumerate(struck):
        gap = segment.rate[None, :] - rate[:, None]
        strength = coupling[segment.partial.astype(np.int64) - 1] * segment.bridge
        forced = take[:, None] * strength[None, :] / gap
        at_start = forced
        if index == 0:
            at_start = forced / (1.0 + (np.abs(gap.imag) * attack_s / np.pi) ** 2)
        free_part = state - at_start.sum(axis=1)
        out = free_part * free.radiated[use]
        lasts = np.log(np.maximum(np.abs(out) / floor, 1.0)) / -rate.real
        last = index + 1 == len(struck)
        end = segment.start_s + float(lasts.max()) if last else segment.end_s
        end = max(end, segment.end_s) if last and math.isfinite(segment.end_s) else end
        keep = np.abs(out) > floor
        if np.any(keep):
            # The strings also move at the struck string's own frequencies while driven.
            driven = free.radiated[use][keep] @ forced[keep]
            numbers = free.partial[use][keep].astype(np.float64)
            segments.append(
                Segment(
                    start_s=segment.start_s,
                    end_s=end,
                    rate=np.concatenate([rate[keep], segment.rate]),
                    bridge=np.concatenate([free_part[keep], np.zeros_like(driven)]),
                    radiated=np.concatenate([out[keep], driven]),
                    partial=np.concatenate([numbers, segment.partial]),
                )
            )
            which.append(use[keep])
        if not last:
            span = struck[index + 1].start_s - segment.start_s
            moved = forced * np.exp(segment.rate * span)[None, :]
            state = free_part * np.exp(rate * span) + moved.sum(axis=1)
    return Answer(segments=segments, which=which)
