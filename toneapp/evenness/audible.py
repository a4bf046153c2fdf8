"""How large must a difference be to be heard at all?

Notes are raised, and changes told, only beyond these sizes; the constants stand here alone.
"""

from __future__ import annotations

import math

__all__ = ["AUDIBLE_BRIGHTNESS_OCT", "AUDIBLE_DECAY_LN", "AUDIBLE_LEVEL_DB"]

AUDIBLE_LEVEL_DB = 1.0
"""Just-noticeable difference of level (from memory: about 1 dB, less for steady loud sounds in
direct comparison)."""

AUDIBLE_BRIGHTNESS_OCT = 0.1
"""Just-noticeable difference of the centroid. At one pitch 3 to 5 % in good conditions (from
memory), 0.04 to 0.07 octave; notes of different pitch are told apart less finely."""

AUDIBLE_DECAY_LN = math.log(1.25)
"""Just-noticeable ratio of decay times, about 25 % (common practice, no source)."""
