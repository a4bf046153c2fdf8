"""Make the recordings of this folder anew, with the simulated piano.

Run it from the root of the repository::

    python fixtures_audio/make.py [FOLDER]

The same numbers always give the same recordings, as long as the simulated piano is not changed.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from toneapp.audio import write_sound
from toneapp.pitch import parse_note
from toneapp.simulate import (
    Blow,
    Disturbance,
    Event,
    Faults,
    PianoSpec,
    Room,
    make_piano,
    render,
)

HERE = Path(__file__).parent
RATE_HZ = 32_000
"""The lowest rate without a warning, for small files."""

DRAWS = {"piano": 11, "short_run": 12, "ring_on": 13, "single_notes": 14}
"""Numbers that the random draws start from."""

LEAKING_NOTE = "C#4"
"""Its damper has a hundredth of the strength of a good one."""

MEDIUM_M_PER_S = 2.0
RUN_NOTES = ("C4", "C#4", "D4", "A4", "D#4", "E4", "F4", "G4", "G#4", "A4", "A#4", "B4")
"""A4 is struck by mistake after D4; F#4 is left out."""

RING_ON_NOTES = ("A3", "A#3", "B3", "C4", "C#4", "D4", "D#4")
SINGLE_NOTES = ("C2", "A3", "E5", "C7")


def _piano(*, leaking: str | None = None) -> PianoSpec:
    faults = Faults(damper_strength={} if leaking is None else {parse_note(leaking): 0.01})
    return make_piano(np.random.default_rng(DRAWS["piano"]), kind="upright", faults=faults)


def _blows(notes: tuple[str, ...], *, hold_s: float, step_s: float, first_s: float) -> list[Blow]:
    return [
        Blow(
            midi=parse_note(note),
            onset_s=first_s + i * step_s,
            hold_s=hold_s,
            velocity_m_per_s=MEDIUM_M_PER_S,
        )
        for i, note in enumerate(notes)
    ]


def _write(path: Path, piano: PianoSpec, events: list[Event], room: Room, *, draw: int) -> None:
    run = render(
        piano,
        events,
        room,
        sample_rate_hz=RATE_HZ,
        rng=np.random.default_rng(draw),
        tail_s=0.4,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    write_sound(path, run.audio, sample_rate_hz=run.sample_rate_hz, bits=16)


def make(folder: Path) -> None:
    """Write all recordings into a folder.

    Parameters
    ----------
    folder : Path
        Made if it does not exist.
    """
    events: list[Event] = list(_blows(RUN_NOTES, hold_s=0.65, step_s=0.95, first_s=0.5))
    talk_s = events[8].onset_s + 0.75  # in the pause after G#4, which is made longer for it
    events = [
        *events[:9],
        Disturbance(kind="talk", onset_s=talk_s, duration_s=0.7, level_db=-6.0),
        *_blows(RUN_NOTES[9:], hold_s=0.65, step_s=0.95, first_s=talk_s + 1.0),
    ]
    _write(
        folder / "short_run.flac",
        _piano(),
        events,
        Room(t60_s=0.4, snr_db=42.0, hum_db=-32.0),
        draw=DRAWS["short_run"],
    )
    _write(
        folder / "ring_on.flac",
        _piano(leaking=LEAKING_NOTE),
        list(_blows(RING_ON_NOTES, hold_s=0.3, step_s=1.5, first_s=0.5)),
        Room(t60_s=0.4, snr_db=50.0),
        draw=DRAWS["ring_on"],
    )
    for i, note in enumerate(SINGLE_NOTES):
        _write(
            folder / "single_notes" / f"{i + 1} {note}.flac",
            _piano(),
            list(_blows((note,), hold_s=1.2, step_s=1.0, first_s=0.2)),
            Room(t60_s=0.4, snr_db=46.0),
            draw=DRAWS["single_notes"] + i,
        )


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
