"""How does a measured quantity stand on a sheet?

A `Figure` is the text that is shown, exactly as `toneapp.wording` says it (with the decimal sign
of the place), together with the numbers behind it, so that the JSON form of a sheet and its text
can be held against each other.

Classes and functions: `Figure`, `DECIMALS`.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DECIMALS", "Figure"]

DECIMALS = {
    "dB": 1, "dBFS": 1, "dB SPL": 1, "oct": 2, "cents": 1, "s": 2, "Hz": 1, "%": 0, "mm": 1,
    "in": 2, "g": 0, "": 0,
}  # fmt: skip
"""Most decimals of a unit; the uncertainty may call for fewer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A quantity as it is shown."""

    text: str
    value: float | None  # None when it was not measured
    unit: str
    se: float | None = None
    low: float | None = None  # ends of the interval of 19 in 20 cases, where there is one
    high: float | None = None
