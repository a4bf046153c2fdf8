"""In which part of the keyboard do runs differ, and by how much?

Pairs of runs are compared part by part over the keys that both have. What is reported is larger
than what is heard and larger than chance, with all parts, measures and pairs judged together.

Classes and functions: `Region`, `REGIONS`, `RegionDifference`, `compare_regions`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from toneapp.evenness import (
    AUDIBLE_BRIGHTNESS_OCT,
    AUDIBLE_DECAY_LN,
    Difference,
    adjust_p_values,
    paired_difference,
)
from toneapp.sheets.values import KeyValues

__all__ = [
    "AUDIBLE",
    "FALSE_DISCOVERY_RATE",
    "REGIONS",
    "Region",
    "RegionDifference",
    "compare_regions",
]

FALSE_DISCOVERY_RATE = 0.05

FEWEST_KEYS = 5
"""Keys in common from which the mean over a part is told."""

AUDIBLE = {
    "brightness": AUDIBLE_BRIGHTNESS_OCT,
    "decay": AUDIBLE_DECAY_LN,
    "sustain": AUDIBLE_DECAY_LN,
    "damping": AUDIBLE_DECAY_LN,
    "ring_on": 6.0,  # dB; common practice, no source
}
"""Least difference that gets a sentence: in octaves, natural log of the ratio, or dB."""

_TIMES = frozenset({"decay", "sustain", "damping"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A part of the keyboard; its words are those of its name."""

    name: str
    lowest_midi: int
    highest_midi: int


REGIONS = (
    Region(name="bass", lowest_midi=0, highest_midi=47),
    Region(name="tenor", lowest_midi=48, highest_midi=59),
    Region(name="middle", lowest_midi=60, highest_midi=83),
    Region(name="treble", lowest_midi=84, highest_midi=127),
)
"""Up to B2; the octave below middle C; the two octaves above it; the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionDifference:
    """Run `more` has the larger value of a measure than run `less` in a part of the keyboard."""

    region: Region
    measure: str
    more: int  # places in the sequence of runs
    less: int
    size: Difference  # in the unit of the measure, > 0
    keys: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    region: Region
    measure: str
    first: int
    second: int
    judged: Difference  # of the logarithms, for times
    shown: Difference
    keys: int


def compare_regions(
    runs: Sequence[Mapping[str, KeyValues]],
) -> tuple[tuple[RegionDifference, ...], frozenset[str]]:
    """Find what differs between runs, part by part.

    Parameters
    ----------
    runs : sequence of mapping of str to KeyValues
        For each run its values by measure, for the measures of `AUDIBLE`.

    Returns
    -------
    differences : tuple of RegionDifference
        Of each measure and part the pair of runs that lies farthest apart, if its difference is
        larger than heard and chance is refused at a false-discovery rate of 5 %.
    measured : frozenset of str
        Measures that could be compared in some part.

    Notes
    -----
    Paired over the keys [1]_. Times are judged by their logarithms, since a second is much in
    the treble and little in the bass, and shown in seconds.

    References
    ----------
    .. [1] "Student", "The probable error of a mean", Biometrika 6, 1 (1908).
    .. [2] Y. Benjamini, Y. Hochberg, "Controlling the false discovery rate", J. R. Stat. Soc. B
       57, 289 (1995).
    """
    found = [
        candidate
        for measure in AUDIBLE
        for region in REGIONS
        for first, second in itertools.combinations(range(len(runs)), 2)
        if (candidate := _candidate(runs, measure, region, first, second)) is not None
    ]
    measured = frozenset(item.measure for item in found)
    if not found:
        return (), measured
    adjusted = adjust_p_values(np.array([item.judged.p_value for item in found]))
    kept = [
        item
        for item, p_value in zip(found, adjusted, strict=True)
        if p_value <= FALSE_DISCOVERY_RATE
        and abs(item.judged.value) > AUDIBLE[item.measure]
        and item.shown.low * item.shown.high > 0
    ]
    farthest = {}
    for item in sorted(kept, key=lambda item: abs(item.judged.value)):
        farthest[item.measure, item.region.name] = item
    return tuple(
        _told(farthest[measure, region.name])
        for measure in AUDIBLE
        for region in REGIONS
        if (measure, region.name) in farthest
    ), measured


def _candidate(
    runs: Sequence[Mapping[str, KeyValues]],
    measure: str,
    region: Region,
    first: int,
    second: int,
) -> _Candidate | None:
    one, other = (
        {
            item.midi: item.value
            for item in runs[place][measure].values
            if not item.is_limit and region.lowest_midi <= item.midi <= region.highest_midi
        }
        for place in (first, second)
    )
    common = sorted(one.keys() & other.keys())
    if len(common) < FEWEST_KEYS:
        return None
    a = np.array([one[midi] for midi in common])
    b = np.array([other[midi] for midi in common])
    shown = paired_difference(a, b)
    judged = paired_difference(np.log(a), np.log(b)) if measure in _TIMES else shown
    if shown is None or judged is None or not math.isfinite(judged.p_value):
        return None
    return _Candidate(
        region=region, measure=measure, first=first, second=second, judged=judged, shown=shown,
        keys=len(common),
    )  # fmt: skip


def _told(item: _Candidate) -> RegionDifference:
    """Turn the difference so that it is positive."""
    size = item.shown
    more, less = item.second, item.first
    if size.value < 0:
        more, less = less, more
        size = Difference(
            value=-size.value, se=size.se, df=size.df, low=-size.high, high=-size.low,
            p_value=size.p_value,
        )  # fmt: skip
    return RegionDifference(
        region=item.region, measure=item.measure, more=more, less=less, size=size, keys=item.keys
    )
