"""A library in a folder of its own, for every test."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from invented import Measures, write_noise

from toneapp.library import Instrument, Library, Run


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "library") as made:
        yield made


@pytest.fixture
def piano(library: Library) -> Instrument:
    return library.instruments.add(Instrument(name="Old upright", maker="Invented", owner="Hall"))


@pytest.fixture
def run(library: Library, piano: Instrument, tmp_path: Path) -> Run:
    """A run that was taken in and measured."""
    sound = write_noise(tmp_path / "before.wav")
    made = library.runs.add(Run(instrument_id=piano.id, condition="before"), sound)
    library.measuring.measure(made.id, Measures())
    return made
