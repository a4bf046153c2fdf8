"""Fill a library with an invented workshop to look at: simulated, then measured like any run.

Two instruments, all made up. An upright before and after work on its hammers, and a grand whose
dampers leak, before and after they were fitted. The sound is simulated in a process of its own,
so that the window stays quick and a stop takes effect at once.

Functions: `build_example`, `simulate_sounds`. Data: `EXAMPLE_RUNS`.
"""

from __future__ import annotations

import multiprocessing
import tempfile
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from toneapp.errors import ToneappError
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.library import (
    Analyse,
    Instrument,
    InstrumentKind,
    KeyMeasurement,
    Library,
    Purpose,
    Run,
)

if TYPE_CHECKING:
    from toneapp.simulate import Blow, Faults, PianoSpec

__all__ = ["EXAMPLE_RUNS", "ExampleRun", "build_example", "simulate_sounds"]

UPRIGHT, GRAND = "Old upright", "Small grand"

_HAMMERS_OCT = {35: 0.5, 44: -0.55, 50: 0.6, 57: -0.5, 63: 0.7, 69: -0.6, 76: 0.55, 81: -0.5}
_HAMMERS_LEFT_OCT = {57: -0.4, 81: -0.35}
_LEVELS_DB = {53: -6.0, 72: 5.0}
_LEAKING = {38: 0.03, 52: 0.02, 59: 0.03, 66: 0.04, 74: 0.03}
_LEAKING_LEFT = {66: 0.04}

_LONG_HOLD_S, _SHORT_HOLD_S = 1.9, 1.3
_SHORT_FROM_MIDI = 65  # treble strings have died away by then
_WAIT_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class ExampleRun:
    """One run of the invented workshop."""

    instrument: str
    condition: str
    purpose: Purpose
    recorded_at: str
    draw: int  # start of the random draws: the same on every machine
    is_after: bool = False


EXAMPLE_RUNS = (
    ExampleRun(
        instrument=UPRIGHT,
        condition="before the hammers",
        purpose=Purpose.EVENNESS,
        recorded_at="2024-03-04T09:30:00Z",
        draw=1,
    ),
    ExampleRun(
        instrument=UPRIGHT,
        condition="after the hammers",
        purpose=Purpose.EVENNESS,
        recorded_at="2024-03-07T16:10:00Z",
        draw=2,
        is_after=True,
    ),
    ExampleRun(
        instrument=GRAND,
        condition="as it came in",
        purpose=Purpose.RING_ON,
        recorded_at="2024-04-15T11:00:00Z",
        draw=3,
    ),
    ExampleRun(
        instrument=GRAND,
        condition="dampers fitted",
        purpose=Purpose.RING_ON,
        recorded_at="2024-04-16T15:45:00Z",
        draw=4,
        is_after=True,
    ),
)


def build_example(
    library: Library,
    analyse: Analyse,
    *,
    progress: Callable[[float], None],
    on_run: Callable[[int], None] = lambda _run_id: None,
    runs: Sequence[ExampleRun] = EXAMPLE_RUNS,
    compass: Compass = FULL_COMPASS,
) -> tuple[int, ...]:
    """Simulate, take in and measure the runs of the workshop.

    Parameters
    ----------
    library : Library
        Gets the instruments and runs.
    analyse : Analyse
        Measures a recording.
    progress : callable
        Called with the share done, 0 to 1; what it raises (`Cancelled`) stops the work. Runs
        that are complete by then stay.
    on_run : callable
        Called with the number of each run as soon as it is measured.
    runs : sequence of ExampleRun
        Which runs.
    compass : Compass
        Keys to play.

    Returns
    -------
    tuple of int
        Numbers of the runs, in the order of `runs`.

    Raises
    ------
    ToneappError
        If the simulation ends early or the library cannot be written.
    """
    numbers: list[int] = []
    instruments: dict[str, Instrument] = {}
    with tempfile.TemporaryDirectory(prefix="toneapp-example-") as folder:
        sounds = _sounds_of_process(Path(folder), runs, compass, lambda: progress(_share()))

        def _share(part: float = 0.0) -> float:
            return min((len(numbers) + part) / len(runs), 1.0)

        try:
            for example, sound in zip(runs, sounds, strict=True):
                if example.instrument not in instruments:
                    instruments[example.instrument] = _add_instrument(library, example, compass)
                run = library.runs.add(_run_of(instruments[example.instrument], example), sound)
                library.measuring.measure(
                    run.id, analyse, progress=lambda part: progress(_share(0.1 + 0.9 * part))
                )
                _add_papers(library, instruments[example.instrument], example, run.id, compass)
                numbers.append(run.id)
                on_run(run.id)
                progress(_share())
        finally:
            sounds.close()
    return tuple(numbers)


def simulate_sounds(folder: Path, runs: Sequence[ExampleRun], compass: Compass) -> None:
    """Write the sound of each run as ``0.flac``, ``1.flac``, ..., each complete or not there."""
    from toneapp.audio import write_sound
    from toneapp.simulate import Room, prepare

    for number, run in enumerate(runs):
        rng = np.random.default_rng(run.draw)
        piano = _piano(run, compass)
        is_ring_on = run.purpose is Purpose.RING_ON
        room = Room(t60_s=0.35 if is_ring_on else 0.4, snr_db=58.0)
        performance = prepare(piano, _blows(run, compass, rng), room, rng=rng)
        unfinished = folder / f"unfinished-{number}.flac"
        write_sound(
            unfinished, performance.blocks(), sample_rate_hz=performance.sample_rate_hz, bits=16
        )
        unfinished.rename(folder / f"{number}.flac")


def _sounds_of_process(
    folder: Path, runs: Sequence[ExampleRun], compass: Compass, wait: Callable[[], None]
) -> Generator[Path]:
    """Yield the sound files as they are made in another process; closing it ends that process."""
    context = multiprocessing.get_context("spawn")
    process = context.Process(
        target=simulate_sounds, args=(folder, tuple(runs), compass), daemon=True
    )
    process.start()
    try:
        for number in range(len(runs)):
            path = folder / f"{number}.flac"
            while not path.is_file():
                wait()
                process.join(_WAIT_S)
                if process.exitcode is not None and not path.is_file():
                    raise ToneappError(
                        "the simulated piano ended early, perhaps for lack of memory or disk "
                        "space; close other programs and try again"
                    )
            yield path
    finally:
        process.terminate()
        process.join()


def _piano(run: ExampleRun, compass: Compass) -> PianoSpec:
    """Return the same instrument before and after, but for what was worked on."""
    from toneapp.simulate import Faults, make_piano

    if run.instrument == UPRIGHT:
        hammers = _HAMMERS_LEFT_OCT if run.is_after else _HAMMERS_OCT
        levels = {} if run.is_after else _LEVELS_DB
        faults: Faults = Faults(hardness_oct=hammers, level_db=levels)
        return make_piano(
            np.random.default_rng(20), kind="upright", compass=compass, faults=faults,
            last_damper_midi=88, first_plain_midi=49, hardness_scatter_oct=0.05,
            level_scatter_db=0.5,
        )  # fmt: skip
    faults = Faults(damper_strength=_LEAKING_LEFT if run.is_after else _LEAKING)
    return make_piano(
        np.random.default_rng(31), kind="grand", compass=compass, faults=faults,
        last_damper_midi=88, first_plain_midi=44, sympathy=0.8,
    )  # fmt: skip


def _blows(run: ExampleRun, compass: Compass, rng: np.random.Generator) -> list[Blow]:
    from toneapp.simulate import chromatic_plan

    if run.purpose is Purpose.RING_ON:
        return chromatic_plan(compass, rng=rng, dynamics=("firm",), hold_s=0.5, gap_s=1.6)
    return chromatic_plan(
        compass,
        rng=rng,
        dynamics=("soft", "medium", "firm"),
        hold_s=lambda midi: _SHORT_HOLD_S if midi >= _SHORT_FROM_MIDI else _LONG_HOLD_S,
        gap_s=0.5,
    )


def _add_instrument(library: Library, example: ExampleRun, compass: Compass) -> Instrument:
    is_upright = example.instrument == UPRIGHT
    piano = _piano(example, compass)
    return library.instruments.add(
        Instrument(
            name=example.instrument,
            kind=InstrumentKind.UPRIGHT if is_upright else InstrumentKind.GRAND,
            notes="Invented: simulated to be looked at. It can be laid in the bin at any time.",
            compass=compass,
            first_plain_midi=piano.first_plain_midi,
            last_damper_midi=piano.last_damper_midi,
            bass_bridge_top_midi=piano.bass_bridge_top_midi,
        )
    )


def _run_of(instrument: Instrument, example: ExampleRun) -> Run:
    return Run(
        instrument_id=instrument.id,
        condition=example.condition,
        purpose=example.purpose,
        recorded_at=example.recorded_at,
        place="simulated workshop",
        microphone="simulated, 1 m in front",
        distance_m=1.0,
        gain_note="the same for all runs",
    )


def _add_papers(
    library: Library, instrument: Instrument, example: ExampleRun, run_id: int, compass: Compass
) -> None:
    """Add worksheet and hand measurements, as someone who works on it would."""
    if example.is_after:
        return
    templates = library.templates()
    fitting = [t for t in templates.values() if instrument.kind in t.kinds]
    if fitting:
        library.worksheets.begin(instrument.id, fitting[0])
    library.raise_items(run_id)
    if example.instrument != UPRIGHT:
        return
    rng = np.random.default_rng(5)
    library.weights.add(
        instrument.id,
        [
            KeyMeasurement(
                midi=midi,
                down_weight_g=round(float(56.0 - 0.08 * (midi - 21) + rng.normal(0.0, 1.2)), 1),
                up_weight_g=round(float(25.0 - 0.05 * (midi - 21) + rng.normal(0.0, 1.0)), 1),
                key_dip_mm=round(float(10.0 + rng.normal(0.0, 0.12)), 2),
            )
            for midi in compass
        ],
        title="as it came in",
        measured_at="2024-03-04",
    )
