"""From measured strikes to the result of a run: reference pitch, notes, evenness, problems.

Functions: `join_run`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp.analysis.scan import NoiseSpectrum
from toneapp.evenness.judge import judge_evenness
from toneapp.evenness.place import strikes_with_place
from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import A4_HZ, A4_MIDI, hz_to_cents, midi_to_hz, note_name
from toneapp.results import Flag, RingOn, RunResult, StrikeResult, UnexpectedSound

__all__ = ["Heard", "join_run"]

WIDELY_CLIPPED_SHARE = 0.25
"""From this share on, the trend that all notes are held against is made of clipped ones."""

A4_REACH = 9
"""Keys on each side of A4 from which the run's own A4 is read."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """What the earlier stages found out about the run as a whole."""

    sample_rate_hz: int
    duration_s: float
    channels: int
    channel_use: str
    order: str
    detune_semitones: float
    unexpected: tuple[UnexpectedSound, ...]
    problems: tuple[str, ...]
    noise: NoiseSpectrum
    peak: float
    clipped_samples: int
    source: str
    ring_on: RingOn | None = None
    other_detune_semitones: float | None = None  # all names a key away would do as well


def join_run(
    strikes: Sequence[StrikeResult],
    heard: Heard,
    *,
    layout: KeyboardLayout,
    a4_hz: float,
    calibration_db: float | None,
) -> RunResult:
    """Join the measured strikes into the result of the run.

    Parameters
    ----------
    strikes : sequence of StrikeResult
        In the order of the recording.
    heard : Heard
        Facts of the run.
    layout : KeyboardLayout
        Compass and breaks.
    a4_hz : float
        Reference for the cents, in Hz.
    calibration_db : float, optional
        Sound pressure level of full scale in dB, if known.

    Returns
    -------
    RunResult
        The whole run.
    """
    strikes = strikes_with_place([_with_cents(strike, a4_hz=a4_hz) for strike in strikes])
    notes, evenness = judge_evenness(strikes, layout=layout)
    played = {strike.midi for strike in strikes}
    return RunResult(
        sample_rate_hz=heard.sample_rate_hz,
        duration_s=heard.duration_s,
        a4_reference_hz=a4_hz,
        a4_measured_hz=_measured_a4_hz(strikes),
        strikes=tuple(strikes),
        notes=notes,
        evenness=evenness,
        ring_on=heard.ring_on,
        room_t60_s=None if heard.ring_on is None else heard.ring_on.room_t60_s,
        missing=tuple(midi for midi in layout.compass if midi not in played),
        unexpected=heard.unexpected,
        problems=heard.problems + _problems(strikes, heard, reference_hz=a4_hz),
        order=heard.order,
        compass=str(layout.compass),
        channels=heard.channels,
        channel_use=heard.channel_use,
        noise_dbfs=heard.noise.a_weighted_dbfs(),
        calibration_db=calibration_db,
        source=heard.source,
    )


def _with_cents(strike: StrikeResult, *, a4_hz: float) -> StrikeResult:
    """Set the cents against the reference pitch."""
    if strike.f1_hz is None:
        return strike
    return replace(strike, cents=hz_to_cents(strike.f1_hz, midi=strike.midi, a4_hz=a4_hz))


def _measured_a4_hz(strikes: Sequence[StrikeResult]) -> float | None:
    """Where A4 stands by the notes around it: a robust line through their cents, read at A4."""
    near = [
        (s.midi, hz_to_cents(s.f1_hz, midi=s.midi, a4_hz=A4_HZ))
        for s in strikes
        if s.f1_hz is not None and abs(s.midi - A4_MIDI) <= A4_REACH
    ]
    if not near:
        return None
    midi, cents = np.asarray(near, dtype=np.float64).T
    slope = 0.0
    if np.unique(midi).size >= 5:
        first, second = np.triu_indices(midi.size, 1)
        apart = midi[second] != midi[first]
        slope = float(
            np.median((cents[second] - cents[first])[apart] / (midi[second] - midi[first])[apart])
        )
    middle = float(np.median(cents - slope * (midi - A4_MIDI)))
    return midi_to_hz(A4_MIDI + middle / 100.0)


def _problems(
    strikes: Sequence[StrikeResult], heard: Heard, *, reference_hz: float
) -> tuple[str, ...]:
    """Doubts about the run, one sentence each."""
    found: list[str] = []
    found += _clipped(strikes)
    quiet = sum(Flag.QUIET in strike.flags for strike in strikes)
    if quiet > 0.2 * len(strikes):
        found.append(
            f"{quiet} of {len(strikes)} strikes stand less than 20 dB above the noise; "
            "move the microphone closer or find a quieter moment"
        )
    unsure = sorted({s.midi for s in strikes if Flag.NOTE_UNCERTAIN in s.flags})
    if unsure:
        found.append(
            "the pitch alone does not settle which key was struck for "
            + ", ".join(note_name(midi) for midi in unsure[:6])
            + (" and others" if len(unsure) > 6 else "")
            + "; check them, and set them with a label file if they are wrong"
        )
    found += _off_pitch(strikes, heard, reference_hz=reference_hz)
    return tuple(found)


def _off_pitch(strikes: Sequence[StrikeResult], heard: Heard, *, reference_hz: float) -> list[str]:
    """How far the instrument stands from its reference, and whether another reading is open."""
    a4_hz = _measured_a4_hz(strikes)
    if a4_hz is None:
        return []
    found = []
    cents = hz_to_cents(a4_hz, midi=A4_MIDI, a4_hz=reference_hz)
    if abs(heard.detune_semitones) > 0.25:
        found.append(
            f"the instrument stands {cents:+.0f} cents from A4 = {reference_hz:g} Hz; notes are "
            "named by their place on the keyboard"
        )
    if heard.other_detune_semitones is not None:
        step = heard.other_detune_semitones - heard.detune_semitones
        found.append(
            "which keys were struck is open by a semitone, because neither end of the keyboard "
            f"was played: if every name is one key too {'high' if step > 0 else 'low'}, the "
            f"instrument stands {cents + 100.0 * step:+.0f} cents from A4 = {reference_hz:g} Hz; "
            "then set its own A4 (--a4, or the instrument's facts), or give the names in a label "
            "file"
        )
    return found


def _clipped(strikes: Sequence[StrikeResult]) -> list[str]:
    """What clipped strikes cost, and what to do."""
    clipped = [strike for strike in strikes if Flag.CLIPPED in strike.flags]
    if not clipped:
        return []
    which = f"{len(clipped)} of {len(strikes)} strikes"
    if len(clipped) < WIDELY_CLIPPED_SHARE * len(strikes):
        return [
            f"{which} clipped (too loud for the input): their level, brightness and decay cannot "
            "be trusted; turn the input down and record those notes again"
        ]
    return [
        f"{which} clipped (too loud for the input): level, brightness, decay and damping cannot "
        "be trusted anywhere in this run, and keys may be missed or named wrongly; only the "
        "pitch holds, to about a cent. Turn the input down until the firmest blow stays below "
        "full scale, and record the run again"
    ]
