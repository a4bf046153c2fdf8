"""How do a piano, a plan and a room become sound, with everything known about it?

`prepare` works out a whole run without making a sample; its result gives the truth at once and
the sound block by block. `render` is the short way for runs that fit in memory.

A sum of decaying exponentials over a block of samples is one matrix product: with the time split
into ``i * 256 + j``, ``Re(sum_m c_m z_m**(256 i) z_m**j)`` multiplies a table of coarse steps by
a table of fine ones. That is what makes 25 minutes of piano cheap.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import Float32Array, FloatArray
from toneapp.simulate.clatter import blow_noise, disturbance_sound, release_noise
from toneapp.simulate.instrument import PianoSpec
from toneapp.simulate.plan import Blow, Disturbance, Event
from toneapp.simulate.room import OverlapAdd, Room, impulse_response, noise_kernel
from toneapp.simulate.striking import Part, Strike, play, read_strike
from toneapp.simulate.sympathy import LEAK_LIMIT, FreeStrings
from toneapp.simulate.truth import RunTruth, note_truth
from toneapp.simulate.voice import REFERENCE_LEVEL_DBFS, Voice

__all__ = ["Performance", "SimulatedRun", "prepare", "render"]

BLOCK_SAMPLES = 65536
FINE = 256
SAME_MOMENT_S = 0.02
"""A key struck again this soon after its release has not met its damper."""
RINGING_FLOOR_DB = -70.0
HIGHEST_OF_RATE = 0.47
"""Partials above this share of the sampling rate are left out, as a converter's filter does."""
RING_TIMES_S = (0.3, 0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedRun:
    """Sound and truth of one run."""

    audio: Float32Array  # (n,), full scale 1
    sample_rate_hz: int
    truth: RunTruth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Clip:
    """Ready-made samples placed in the run."""

    start: int
    samples: Float32Array


@dataclass(slots=True, kw_only=True, eq=False)
class Performance:
    """A run ready to be heard: `truth` is complete, `blocks` makes the sound."""

    sample_rate_hz: int
    samples: int
    truth: RunTruth
    room: Room
    _parts: list[Part]
    _clips: list[_Clip]
    _rng: np.random.Generator

    def blocks(self, block_samples: int = BLOCK_SAMPLES) -> Iterator[Float32Array]:
        """Yield the sound in blocks of `block_samples` (the last may be shorter).

        The same sound whatever the block, but only once: call `prepare` again for another pass.
        """
        waiting: list[Float32Array] = []
        held = 0
        for block in self._inner_blocks():
            waiting.append(block)
            held += block.size
            if held < block_samples:
                continue
            joined = np.concatenate(waiting)
            full = held - held % block_samples
            for start in range(0, full, block_samples):
                yield joined[start : start + block_samples].copy()
            waiting = [joined[full:].copy()]
            held -= full
        if held:
            yield np.concatenate(waiting)

    def _inner_blocks(self) -> Iterator[Float32Array]:
        """Make the sound on a fixed grid of blocks."""
        rate = self.sample_rate_hz
        room = self.room
        direct = OverlapAdd(
            impulse_response(room, sample_rate_hz=rate, rng=self._rng), BLOCK_SAMPLES
        )
        colour = OverlapAdd(noise_kernel(room, sample_rate_hz=rate), BLOCK_SAMPLES)
        reference = 10.0 ** (REFERENCE_LEVEL_DBFS / 20.0)
        gain = 10.0 ** (room.gain_db / 20.0)
        if room.snr_db is not None:
            colour(self._rng.standard_normal(BLOCK_SAMPLES, dtype=np.float32))  # fill its tail
        pending = sorted(self._parts, key=lambda part: part.start_s)
        active: list[Part] = []
        coming = sorted(self._clips, key=lambda clip: clip.start)
        sounding: list[_Clip] = []
        for first in range(0, self.samples, BLOCK_SAMPLES):
            last = first + BLOCK_SAMPLES
            while pending and pending[0].start_s * rate < last:
                active.append(pending.pop(0))
            block = np.zeros(BLOCK_SAMPLES, dtype=np.float32)
            for part in active:
                _add_part(block, part, first, rate)
            active = [part for part in active if part.end_s * rate > last]
            while coming and coming[0].start < last:
                sounding.append(coming.pop(0))
            for clip in sounding:
                _add_clip(block, clip, first)
            sounding = [clip for clip in sounding if clip.start + clip.samples.size > last]
            block = direct(block)
            if room.snr_db is not None:
                noise = colour(self._rng.standard_normal(BLOCK_SAMPLES, dtype=np.float32))
                block += noise * np.float32(reference * 10.0 ** (-room.snr_db / 20.0))
            if room.hum_db is not None:
                t = np.arange(first, last) / rate
                block += (reference * 10.0 ** (room.hum_db / 20.0) * _hum(room, t)).astype(
                    np.float32
                )
            block = block * np.float32(gain) + np.float32(room.dc)
            if room.clips:
                block = np.clip(block, -1.0, 1.0)
            yield block[: min(BLOCK_SAMPLES, self.samples - first)]


def render(
    piano: PianoSpec,
    events: Sequence[Event],
    room: Room | None = None,
    *,
    sample_rate_hz: int = 48000,
    rng: np.random.Generator,
    tail_s: float = 2.0,
) -> SimulatedRun:
    """Make the sound of a whole run; parameters as for `prepare`.

    Returns
    -------
    SimulatedRun
        Mono sound, shape (n,), and its truth.
    """
    performance = prepare(
        piano, events, room, sample_rate_hz=sample_rate_hz, rng=rng, tail_s=tail_s
    )
    audio = np.empty(performance.samples, dtype=np.float32)
    done = 0
    for block in performance.blocks():
        audio[done : done + block.size] = block
        done += block.size
    return SimulatedRun(audio=audio, sample_rate_hz=sample_rate_hz, truth=performance.truth)


def prepare(
    piano: PianoSpec,
    events: Sequence[Event],
    room: Room | None = None,
    *,
    sample_rate_hz: int = 48000,
    rng: np.random.Generator,
    tail_s: float = 2.0,
) -> Performance:
    """Work out a run without making its sound yet.

    Parameters
    ----------
    piano : PianoSpec
        The instrument.
    events : sequence of Blow and Disturbance
        What is played, in any order.
    room : Room or None
        Room, microphone and noise; None for the default `Room`.
    sample_rate_hz : int
        Sampling rate, 8000 or more.
    rng : numpy.random.Generator
        For blow noises, reverberation and background noise. It is used further by the blocks.
    tail_s : float
        Sound kept after the last release.

    Returns
    -------
    Performance
        Truth and block maker.

    Raises
    ------
    ValueError
        If a blow asks for a key that is not there, or starts before zero.
    """
    room = room or Room()
    if sample_rate_hz < 8000:
        raise ValueError(f"sampling rate must be 8000 Hz or more, got {sample_rate_hz}")
    blows = sorted((e for e in events if isinstance(e, Blow)), key=lambda b: b.onset_s)
    others = sorted((e for e in events if isinstance(e, Disturbance)), key=lambda d: d.onset_s)
    if any(e.onset_s < 0 for e in events):
        raise ValueError("events start at 0 s or later")
    free_midis = {
        note.midi
        for note in piano.notes
        if not note.has_damper or note.damper_strength < LEAK_LIMIT
    }
    used = sorted({blow.midi for blow in blows} | free_midis)
    voices = {midi: Voice.build(piano, midi) for midi in used}
    free = FreeStrings.build(piano, [voices[midi] for midi in sorted(free_midis)])
    notes = {midi: note_truth(voices[midi]) for midi in sorted({blow.midi for blow in blows})}
    parts: list[Part] = []
    clips: list[_Clip] = []
    strikes = []
    for index, blow in enumerate(blows):
        strike = play(blow, blows[index + 1 :], voices[blow.midi], free)
        parts += [_below_hz(part, HIGHEST_OF_RATE * sample_rate_hz) for part in strike.parts]
        clips += _noises(blow, strike, voices[blow.midi], sample_rate_hz, rng)
        strikes.append(read_strike(blow, strike, voices[blow.midi], notes[blow.midi], free))
    for event in others:
        wave = disturbance_sound(event, piano.soundboard, sample_rate_hz=sample_rate_hz, rng=rng)
        scale = 10.0 ** ((REFERENCE_LEVEL_DBFS + event.level_db) / 20.0)
        clips.append(
            _Clip(
                start=round(event.onset_s * sample_rate_hz),
                samples=(scale * wave).astype(np.float32),
            )
        )
    ends = [b.onset_s + b.hold_s for b in blows] + [d.onset_s + d.duration_s for d in others]
    duration_s = max(ends, default=0.0) + tail_s
    samples = math.ceil(duration_s * sample_rate_hz)
    truth = RunTruth(
        strikes=tuple(strikes),
        notes=notes,
        disturbances=tuple(others),
        a4_hz=piano.a4_hz,
        room_t60_s=room.t60_s,
        duration_s=samples / sample_rate_hz,
    )
    return Performance(
        sample_rate_hz=sample_rate_hz,
        samples=samples,
        truth=truth,
        room=room,
        _parts=[p for p in parts if p.start_s < duration_s],
        _clips=clips,
        _rng=rng,
    )


def _below_hz(part: Part, highest_hz: float) -> Part:
    """Leave out motions that the sampling rate cannot carry."""
    keep = np.abs(part.rate.imag) < 2.0 * np.pi * highest_hz
    if bool(np.all(keep)):
        return part
    return dataclasses.replace(part, rate=part.rate[keep], radiated=part.radiated[keep])


def _noises(
    blow: Blow, strike: Strike, voice: Voice, sample_rate_hz: int, rng: np.random.Generator
) -> list[_Clip]:
    """Knock of the blow and thump of the release."""
    board = voice.piano.soundboard
    level_db = voice.level_db(blow.velocity_m_per_s) + voice.note.knock_db
    knock = blow_noise(board, sample_rate_hz=sample_rate_hz, rng=rng)
    clips = [
        _Clip(
            start=round(blow.onset_s * sample_rate_hz),
            samples=(10.0 ** (level_db / 20.0) * knock).astype(np.float32),
        )
    ]
    if strike.release_s is not None:
        thump = release_noise(board, sample_rate_hz=sample_rate_hz, rng=rng)
        level_db = REFERENCE_LEVEL_DBFS + voice.piano.key_noise_db + float(rng.normal(0.0, 2.0))
        clips.append(
            _Clip(
                start=round(strike.release_s * sample_rate_hz),
                samples=(10.0 ** (level_db / 20.0) * thump).astype(np.float32),
            )
        )
    return clips


def _add_part(block: Float32Array, part: Part, first: int, sample_rate_hz: int) -> None:
    """Add one sum of exponentials to a block that starts at sample `first`."""
    start = max(math.ceil(part.start_s * sample_rate_hz), first)
    end = min(math.ceil(part.end_s * sample_rate_hz), first + block.size)
    if end <= start or part.rate.size == 0:
        return
    since = start / sample_rate_hz - part.start_s
    now = part.radiated * np.exp(part.rate * since)
    size = np.abs(now)
    keep = size > 1e-4 * size.max()
    now, rate = now[keep], part.rate[keep]
    count = end - start
    coarse = np.arange(-(-count // FINE)) * (FINE / sample_rate_hz)
    fine = np.arange(FINE) / sample_rate_hz
    left = now * np.exp(np.multiply.outer(coarse, rate))
    right = np.exp(np.multiply.outer(rate, fine))
    wave = np.hstack([left.real, -left.imag]).astype(np.float32) @ np.vstack(
        [right.real, right.imag]
    ).astype(np.float32)
    wave = wave.reshape(-1)[:count]
    rise_end = math.ceil((part.onset_s + part.attack_s) * sample_rate_hz)
    if start < rise_end:
        rising = min(rise_end, end) - start
        t = np.arange(start, start + rising) / sample_rate_hz - part.onset_s
        wave[:rising] *= (np.sin(0.5 * np.pi * np.clip(t / part.attack_s, 0, 1)) ** 2).astype(
            np.float32
        )
    block[start - first : end - first] += wave


def _add_clip(block: Float32Array, clip: _Clip, first: int) -> None:
    """Add ready-made samples to a block that starts at sample `first`."""
    start, end = max(clip.start, first), min(clip.start + clip.samples.size, first + block.size)
    if end > start:
        block[start - first : end - first] += clip.samples[start - clip.start : end - clip.start]


def _hum(room: Room, t: FloatArray) -> FloatArray:
    """Mains hum: its first harmonic at RMS 1, even ones of a transformer, weaker odd ones."""
    wave = np.zeros(t.size)
    for k, level in ((1, 1.0), (2, 0.6), (3, 0.35), (4, 0.2), (5, 0.12), (6, 0.08), (7, 0.05)):
        wave += math.sqrt(2.0) * level * np.sin(2.0 * np.pi * k * room.hum_hz * t + 0.7 * k)
    return wave
