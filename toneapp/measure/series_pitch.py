"""Which pitch explains a series of fast blows on one key?

One blow of a fast series falls into the evidence of another; several together tell the key.

Functions: `series_support`.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.blow_train import Series
from toneapp.measure.evidence import PITCH_GRID, gather_evidence

__all__ = ["EVIDENCE_BLOWS", "series_support"]

EVIDENCE_S = 0.42
EVIDENCE_BLOWS = 6
"""So much sound after so many blows is gathered."""


def series_support(series: Series, samples: FloatArray, *, sample_rate_hz: float) -> FloatArray:
    """How well each pitch explains the blows of a series.

    Parameters
    ----------
    series : Series
        Its times count from the first of the samples.
    samples : ndarray, shape (n,)
        Mono.
    sample_rate_hz : float
        Sampling rate.

    Returns
    -------
    ndarray, shape of `PITCH_GRID`
        Mean support over the blows.
    """
    end_s = samples.size / sample_rate_hz
    chosen = series.times_s[:: max(1, series.times_s.size // EVIDENCE_BLOWS)]
    support = np.zeros(PITCH_GRID.size)
    for onset_s in chosen:
        # The blows that follow start the same partials anew: the stretch may run over them, and
        # what sounded before is the same note and must count.
        evidence = gather_evidence(
            samples,
            sample_rate_hz=sample_rate_hz,
            onset_s=float(onset_s),
            before_s=0.0,
            after_s=min(EVIDENCE_S, end_s - float(onset_s)),
        )
        support += evidence.support
    return np.asarray(support / chosen.size)
