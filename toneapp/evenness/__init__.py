"""Is the instrument even, which notes stand out, what changed, and what can be done?

`judge_evenness` turns the strikes of a run into notes, residuals and raised notes. `compare`
holds two runs against each other, `load_advice` says what may lie behind a finding. The parts
they are built of are in the modules of this package.
"""

from __future__ import annotations

from toneapp.evenness.advice import Advice, AdviceBook, Caution, load_advice, parse_advice
from toneapp.evenness.audible import (
    AUDIBLE_BRIGHTNESS_OCT,
    AUDIBLE_DECAY_LN,
    AUDIBLE_LEVEL_DB,
)
from toneapp.evenness.between_runs import (
    PairedBlows,
    paired_brightness,
    paired_change,
    widened,
)
from toneapp.evenness.brightness import EvenBrightness, even_brightness
from toneapp.evenness.compare import (
    Difference,
    EvennessGain,
    NoteChanges,
    NoteEstimates,
    common_shift,
    estimate_notes,
    evenness_gain,
    note_changes,
    paired_difference,
    repeatability_limit,
    same_blow,
    welch_difference,
)
from toneapp.evenness.discovery import adjust_p_values, discoveries
from toneapp.evenness.judge import judge_evenness
from toneapp.evenness.levels import EvenLevels, even_levels
from toneapp.evenness.outliers import Residuals, judge_residuals
from toneapp.evenness.setup import (
    SetupDifference,
    SetupKind,
    levels_comparable,
    setup_differences,
)
from toneapp.evenness.sluggish import (
    RepetitionJudgement,
    SluggishKey,
    SluggishReason,
    judge_repetition,
)
from toneapp.evenness.smoothing import Step, Trend, fit_trend, lowess

__all__ = [
    # a whole run
    "AUDIBLE_BRIGHTNESS_OCT",
    "AUDIBLE_DECAY_LN",
    "AUDIBLE_LEVEL_DB",
    "judge_evenness",
    # its parts
    "EvenBrightness",
    "EvenLevels",
    "Residuals",
    "Step",
    "Trend",
    "adjust_p_values",
    "discoveries",
    "even_brightness",
    "even_levels",
    "fit_trend",
    "judge_residuals",
    "lowess",
    # two runs
    "Difference",
    "EvennessGain",
    "NoteChanges",
    "NoteEstimates",
    "PairedBlows",
    "SetupDifference",
    "SetupKind",
    "common_shift",
    "estimate_notes",
    "evenness_gain",
    "levels_comparable",
    "note_changes",
    "paired_brightness",
    "paired_change",
    "paired_difference",
    "repeatability_limit",
    "same_blow",
    "setup_differences",
    "welch_difference",
    "widened",
    # repetition
    "RepetitionJudgement",
    "SluggishKey",
    "SluggishReason",
    "judge_repetition",
    # advice
    "Advice",
    "AdviceBook",
    "Caution",
    "load_advice",
    "parse_advice",
]
