"""From a recording to results: the stages of a run and of a strike, in their order."""

from __future__ import annotations

from toneapp.analysis.labels import GivenLabel
from toneapp.analysis.repetition import RepetitionRun, analyse_repetition
from toneapp.analysis.run import analyse

__all__ = ["GivenLabel", "RepetitionRun", "analyse", "analyse_repetition"]
