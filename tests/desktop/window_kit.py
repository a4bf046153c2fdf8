"""What the tests of the window share: an invented workshop, and how to choose in it."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pytestqt.qtbot import QtBot

sys.path.insert(0, str(Path(__file__).parents[1] / "library"))

from invented import Measures, invent_run

from toneapp.desktop.models import AppModel
from toneapp.library import Instrument, Library, Run

BRIGHT = 60


@dataclass
class Workshop:
    """A library and what is in it."""

    library: Library
    folder: Path
    piano: Instrument
    other: Instrument
    before: Run
    after: Run


def analyse(_on_strikes: object = None) -> Measures:
    """Stands in for the measuring core."""
    return Measures(invent_run(np.random.default_rng(7)))


def choose(qtbot: QtBot, model: AppModel, run: Run) -> None:
    """Choose a run and wait until it is loaded."""
    model.choose_run(run.id)
    qtbot.waitUntil(lambda: model.run is not None and model.run.run.id == run.id)
    qtbot.waitUntil(lambda: model.worklist is not None)
