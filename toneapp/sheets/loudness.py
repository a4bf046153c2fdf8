"""How loud is a clip to the ear, so that clips can be brought to the same loudness?

The programme loudness of ITU-R BS.1770, gated, of a mono sound that counts as one front channel.
(`toneapp.measure.loudness` gives the loudness of one blow, ungated; a clip is a short programme.)

Functions: `programme_loudness_lkfs`.

References
----------
.. [1] Recommendation ITU-R BS.1770-4 (2015), Annex 1: K-weighting, blocks of 400 ms that overlap
   by 75 %, an absolute gate at -70 LKFS and a relative one 10 LU below the loudness above it.
"""

from __future__ import annotations

import numpy as np

from toneapp._typing import FloatArray
from toneapp.measure.loudness import LKFS_OFFSET_DB, MOMENTARY_WINDOW_S
from toneapp.signal.weighting import apply_response, k_weighting_response

__all__ = ["programme_loudness_lkfs"]

_OVERLAP = 0.75
_ABSOLUTE_GATE_LKFS = -70.0
_RELATIVE_GATE_LU = -10.0


def programme_loudness_lkfs(samples: FloatArray, *, sample_rate_hz: float) -> float | None:
    """Programme loudness of a mono sound.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Full scale = 1.
    sample_rate_hz : float
        Sampling rate in Hz.

    Returns
    -------
    float or None
        In LKFS; None when the sound is shorter than one block of 0.4 s or too quiet for the gate.
    """
    block = round(MOMENTARY_WINDOW_S * sample_rate_hz)
    if samples.size < block:
        return None
    weighted = apply_response(
        samples, sample_rate_hz=sample_rate_hz, response=k_weighting_response
    )[: samples.size]
    total = np.concatenate([[0.0], np.cumsum(weighted**2)])
    # Rounded at each block, not once, as the time of a block is a multiple of 0.1 s.
    step_s = MOMENTARY_WINDOW_S * (1.0 - _OVERLAP)
    count = int((samples.size / sample_rate_hz - MOMENTARY_WINDOW_S) / step_s + 1e-9) + 1
    starts = np.round(np.arange(count) * step_s * sample_rate_hz).astype(np.int64)
    starts = starts[starts + block <= samples.size]
    power = (total[starts + block] - total[starts]) / block
    kept = power[power > 10.0 ** (0.1 * (_ABSOLUTE_GATE_LKFS - LKFS_OFFSET_DB))]
    if kept.size == 0:
        return None
    kept = kept[kept > np.mean(kept) * 10.0 ** (0.1 * _RELATIVE_GATE_LU)]
    return LKFS_OFFSET_DB + 10.0 * float(np.log10(np.mean(kept)))
