"""Which notes die away faster or slower than the trend of the prompt decay?

Decay times are compared by their logarithms: a note is so many per cent longer than the others.

Functions: `judge_decay`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp._typing import FloatArray
from toneapp.evenness.audible import AUDIBLE_DECAY_LN
from toneapp.evenness.blows import moderate
from toneapp.evenness.outliers import Residuals, judge_residuals
from toneapp.evenness.pooling import pool_measured
from toneapp.results import StrikeResult

__all__ = ["JudgedDecay", "judge_decay"]

DECAY_SCATTER_LN = 0.1
"""Spread of the prompt decay time between blows on one note, log ratio, where no repeat tells it
(common practice, no source)."""

LEAST_DECAY_SCATTER_LN = 0.01
"""Decay times agree no better than this, whatever the blows."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedDecay:
    """Prompt decay of the notes that have one, upward."""

    midi: tuple[int, ...]
    prompt_t60_s: FloatArray  # shape (notes,), geometric mean of a note's blows
    se_ln: FloatArray  # shape (notes,), standard error of the logarithm
    residuals: Residuals | None  # of the logarithm; None with too few notes for a trend


def judge_decay(
    by_note: Mapping[int, Sequence[StrikeResult]], *, breaks: Sequence[float]
) -> JudgedDecay | None:
    """Pool the prompt decay of each note and hold it against the trend.

    Parameters
    ----------
    by_note : mapping of int to sequence of StrikeResult
        Strikes of each note (MIDI number, upward).
    breaks : sequence of float
        First note (MIDI number) above each break of the construction.

    Returns
    -------
    JudgedDecay or None
        None when no strike has a prompt decay.
    """
    midis, logs, errors, counts, variances = [], [], [], [], []
    for midi, group in by_note.items():
        times = [
            (math.log(s.prompt_t60_s), _ratio(s.prompt_t60_s_se, s.prompt_t60_s))
            for s in group
            if s.prompt_t60_s is not None and s.prompt_t60_s > 0
        ]
        mean, se = pool_measured(times)
        if mean is None:
            continue
        values = np.array([value for value, _ in times])
        midis.append(midi)
        logs.append(mean)
        errors.append(se or 0.0)
        counts.append(values.size)
        variances.append(float(values.var(ddof=1)) if values.size > 1 else 0.0)
    if not midis:
        return None
    strikes = np.array(counts)
    moderated = moderate(
        np.array(variances), strikes - 1.0, DECAY_SCATTER_LN**2, LEAST_DECAY_SCATTER_LN**2
    )
    se_ln = np.maximum(np.sqrt(moderated.variance / strikes), np.array(errors))
    residuals = judge_residuals(
        np.array(midis, dtype=np.float64),
        np.array(logs),
        se_ln,
        moderated.df,
        audible=AUDIBLE_DECAY_LN,
        # Bridge and soundboard give each note a decay of its own; only strays are raised.
        ordinary_limit=math.inf,
        breaks=breaks,
    )
    return JudgedDecay(
        midi=tuple(midis),
        prompt_t60_s=np.array([math.exp(log) for log in logs]),
        se_ln=se_ln,
        residuals=residuals,
    )


def _ratio(part: float | None, whole: float) -> float | None:
    """Relative error."""
    return None if part is None else part / whole
