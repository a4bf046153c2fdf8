"""What is to be measured of one strike, and what is known about it beforehand.

Classes: `StrikeTask`.
"""

from __future__ import annotations

from dataclasses import dataclass

from toneapp.analysis.labels import NamedStrike
from toneapp.analysis.scan import NoiseSpectrum

__all__ = ["StrikeTask"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrikeTask:
    """One strike to be measured."""

    strike: NamedStrike
    end_s: float  # in the recording; where the strike may no longer be followed
    is_cut_short: bool  # by another strike, a noise, or the end of the recording
    noise: NoiseSpectrum
    has_damper: bool | None = None  # None: not known
    expected_hold_s: float | None = None  # as the neighbours were held
    may_assume_release: bool = False  # take the release there if none is seen
    calibration_db: float | None = None
    source: str = ""
