"""Which rooms, decays, moments and ways of touching are tried for a damped partial?

Grids of `toneapp.signal.damped_reading`; see there for the description.

Conventions: times in s from the release that was found; T60 in s; levels in dB.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "COARSE_MOMENTS_S",
    "EARLY",
    "HALF_WIDTHS_HZ",
    "LEVEL_COUNT",
    "LEVEL_STEP_DB",
    "LOST_S",
    "MOMENTS_S",
    "NOISE_DB",
    "OFFSETS_S",
    "RINGS",
    "ROOM_LEVEL_DB",
    "ROOM_T60_S",
    "T60_COUNT",
    "T60_S",
    "TIMES_S",
    "TOUCHES",
]

LEVEL_STEP_DB = 5.0
_LEVELS_DB = tuple(-19.0 + LEVEL_STEP_DB * i for i in range(5))
_T60S_S = (0.25, 0.38, 0.57, 0.86, 1.3)
LEVEL_COUNT, T60_COUNT = len(_LEVELS_DB), len(_T60S_S)
_ROOMS = [(-45.0, 0.4)] + [(level_db, t60_s) for level_db in _LEVELS_DB for t60_s in _T60S_S]
ROOM_LEVEL_DB = np.array([level_db for level_db, _ in _ROOMS])
"""Energy of the reverberation over that of the direct sound, of the rooms that are tried; the
first is none at all. Both are those of one octave band."""
ROOM_T60_S = np.array([t60_s for _, t60_s in _ROOMS])
EARLY = (-12.0, 0.1)  # level in dB and T60 in s of the first reflections; in every room but none

TIMES_S = np.array(
    [-0.06, -0.03, -0.01, 0.004, 0.01, 0.017, 0.026, 0.037,
     0.051, 0.07, 0.096, 0.132, 0.18, 0.25, 0.34, 0.46]
)  # fmt: skip
T60_S = np.geomspace(0.04, 3.2, 12)

COARSE_MOMENTS_S = np.arange(-0.024, 0.04, 0.012)
OFFSETS_S = np.array([-0.004, 0.0, 0.004])
MOMENTS_S = (COARSE_MOMENTS_S[:, None] + OFFSETS_S).ravel()
"""When a damper that lay with its full weight at once would have come down. The room is worked out
at the coarse ones alone."""

TOUCHES = ((0.012, 1.5), (0.028, 1.2), (0.042, 1.0), (0.06, 0.8))
"""Time in s that a felt takes to lie with its full weight, 10 to 60 ms (common practice, no
source), and the power of time with which its share grows."""
LOST_S = np.array([touch_s / (power + 1.0) for touch_s, power in TOUCHES])
"""Decay at full weight that each touch is worth."""

HALF_WIDTHS_HZ = (300.0, 120.0, 50.0, 24.0)
NOISE_DB = (-45.0, -30.0, -18.0)  # over the partial
RINGS = ((-33.0, 2.0, 0.65), (-14.0, 1.5, 0.35))
"""Level over the partial in dB, T60 in s and prior share of what free strings may add."""
