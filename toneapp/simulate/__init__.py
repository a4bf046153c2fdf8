"""A simulated piano: sound of a whole run with everything known about it.

It makes the demonstration and the tests, and serves teaching. Draw an instrument, plan what is
played, choose a room, and render::

    rng = np.random.default_rng(1)
    piano = make_piano(rng, kind="upright", faults=random_faults(rng))
    events = chromatic_plan(piano.compass, rng=rng, dynamics=("soft", "medium", "firm"))
    run = render(piano, events, Room(t60_s=0.5, snr_db=50.0), rng=rng)
    run.audio, run.truth.strikes[0].f1_hz

Long runs: `prepare` gives the truth at once and the sound block by block.
"""

from toneapp.simulate.instrument import BackLength, NoteSpec, PianoSpec, Soundboard
from toneapp.simulate.piano import Faults, make_piano, random_faults
from toneapp.simulate.plan import (
    DYNAMICS,
    Blow,
    Disturbance,
    Event,
    chromatic_plan,
    clock_ticks,
    disturbances,
    repetition_plan,
    with_mistakes,
)
from toneapp.simulate.rendering import Performance, SimulatedRun, prepare, render
from toneapp.simulate.room import Room
from toneapp.simulate.truth import (
    DecayTruth,
    NoteTruth,
    PartialTruth,
    RingingTruth,
    RunTruth,
    StrikeTruth,
)

__all__ = [
    "DYNAMICS",
    "BackLength",
    "Blow",
    "DecayTruth",
    "Disturbance",
    "Event",
    "Faults",
    "NoteSpec",
    "NoteTruth",
    "PartialTruth",
    "Performance",
    "PianoSpec",
    "RingingTruth",
    "Room",
    "RunTruth",
    "SimulatedRun",
    "Soundboard",
    "StrikeTruth",
    "chromatic_plan",
    "clock_ticks",
    "disturbances",
    "make_piano",
    "prepare",
    "random_faults",
    "render",
    "repetition_plan",
    "with_mistakes",
]
