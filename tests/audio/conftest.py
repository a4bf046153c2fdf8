"""Runs with known truth, and the pieces of the recorder that tests need."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

sys.path.insert(0, str(Path(__file__).parent))  # the modules beside the tests

from toneapp.analysis.live import LiveMeasure
from toneapp.audio.capture import (
    BlowJudged,
    BlowRevised,
    Conductor,
    Event,
    Instrument,
    KeyPlan,
    RunPlan,
)
from toneapp.simulate import Blow, PianoSpec, Room, RunTruth, make_piano, render
from toneapp.simulate import Event as Played

RATE = 48_000


@dataclass(frozen=True)
class Sounding:
    """A simulated run and what was played in it."""

    samples: np.ndarray
    truth: RunTruth
    rate: int = RATE

    def save(self, path: Path) -> Path:
        soundfile.write(path, self.samples, self.rate, subtype="FLOAT")
        return path


@dataclass
class Led:
    """What came of a run that was fed to a conductor."""

    conductor: Conductor
    events: list[Event]

    @property
    def judged(self) -> list:
        return [event.blow for event in self.events if isinstance(event, BlowJudged)]

    @property
    def revised(self) -> list:
        return [event.blow for event in self.events if isinstance(event, BlowRevised)]


@pytest.fixture(scope="session")
def piano() -> PianoSpec:
    return make_piano(np.random.default_rng(11), kind="upright")


@pytest.fixture(scope="session")
def play(piano: PianoSpec) -> Callable[..., Sounding]:
    """Render blows, (midi, onset, hold) or (midi, onset, hold, speed), and other sounds."""

    def _play(
        blows: Sequence[tuple[float, ...]],
        *,
        others: Sequence[Played] = (),
        room: Room | None = None,
        draw: int = 1,
    ) -> Sounding:
        events: list[Played] = [
            Blow(
                midi=int(blow[0]),
                onset_s=blow[1],
                hold_s=blow[2],
                velocity_m_per_s=blow[3] if len(blow) > 3 else 2.0,
            )
            for blow in blows
        ]
        rng = np.random.default_rng(draw)
        room = room or Room(t60_s=0.4, snr_db=50.0)
        run = render(piano, [*events, *others], room, rng=rng)
        return Sounding(samples=run.audio, truth=run.truth, rate=run.sample_rate_hz)

    return _play


@pytest.fixture
def lead() -> Callable[..., Led]:
    """Feed a sound to a conductor, block by block."""

    def _lead(
        sound: Sounding,
        plan: RunPlan,
        *,
        block: int = 512,
        instrument: Instrument | None = None,
        checks_room: bool = True,
        done: Sequence[int] = (),
    ) -> Led:
        conductor = Conductor(
            KeyPlan(plan, done=done),
            measure=LiveMeasure(),
            instrument=instrument or Instrument(),
            sample_rate_hz=sound.rate,
            checks_room=checks_room,
        )
        events: list[Event] = []
        for first in range(0, sound.samples.size, block):
            events += conductor.feed(sound.samples[first : first + block])
        events += conductor.finish()
        return Led(conductor=conductor, events=events)

    return _lead
