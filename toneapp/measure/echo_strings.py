"""Where do the partials of every string of the instrument lie, as measured in the run?

Functions: `build_strings`, `with_own_lines`, `with_leaking_lines`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import BoolArray, FloatArray, IntArray
from toneapp.measure.ringing import RingLine
from toneapp.results import StrikeResult

__all__ = [
    "LEAST_SIGMA_CENTS",
    "OWN_PARTIALS",
    "StringTable",
    "build_strings",
    "with_leaking_lines",
    "with_own_lines",
]

OWN_PARTIALS = 90
LEAST_SIGMA_CENTS = 1.2
UNMEASURED_SIGMA_CENTS = 5.0
"""How far a ringing string may lie from its partial as measured: the strings of a unison differ
among themselves by about a cent (common practice, no source); a string that was not struck in the
run is placed between its neighbours."""

NEXT_PARTIAL_CENTS = 9.0
NEXT_PARTIAL_SHARE = 0.25
"""A line after a key's own release is its next partial when it lies within this of where the last
one lets expect it, and within this share of the way to the neighbouring partial."""

MEASURED_CENTS = 1.0
MEASURED_HZ = 0.4
UNMEASURED_CENTS = 12.0
"""A line after the release of a leaking key is its partial within the first and the second
together of the partial as measured, or within the third of one that was not."""

FREE_PARTIALS = 3
FREE_CENTS, FREE_HZ = 1.5, 0.1
"""So near to one of these partials of a string without a damper, a line is that string's: its own
place is known as well, and it rings more often."""

MOST_LEAP = 12
"""Partials that may be missing between one that was found and the next."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StringTable:
    """Partials of every string of the instrument, as measured or placed between neighbours."""

    midi: IntArray  # shape (k,), upward without gaps
    f0_hz: FloatArray  # shape (k,)
    sigma_cents: FloatArray  # shape (k,)
    partial_hz: FloatArray  # shape (k, OWN_PARTIALS + 1), column n holds partial n
    is_measured: BoolArray  # same shape; else the partial follows from the series

    def distance_cents(self, hz: float, midi: int, *, most: int = OWN_PARTIALS) -> float:
        """Distance of a frequency from the nearest of a key's lowest partials, in cents, >= 0."""
        row = midi - int(self.midi[0])
        if not 0 <= row < self.midi.size:
            return float("inf")
        cents = 1200.0 * np.log2(hz / self.partial_hz[row, 1 : most + 1])
        return float(np.min(np.abs(cents)))

    def near_free(
        self, hz: FloatArray, *, last_damper_midi: int, cents: float, wide_hz: float
    ) -> BoolArray:
        """Tell which frequencies lie at the lowest partials of strings without dampers.

        They do when they are no farther off than `cents` and `wide_hz` together.
        """
        free_hz = self.partial_hz[self.midi > last_damper_midi, 1 : FREE_PARTIALS + 1].ravel()
        off_cents = np.abs(1200.0 * np.log2(hz[:, None] / free_hz))
        return np.asarray((off_cents < cents + 1731.23 * wide_hz / hz[:, None]).any(axis=1))


def build_strings(strikes: Sequence[StrikeResult]) -> StringTable | None:
    """Collect the strings of the instrument from the strikes of a run.

    Parameters
    ----------
    strikes : sequence of StrikeResult
        Measured strikes of the run.

    Returns
    -------
    StringTable or None
        ``None`` when fewer than three notes have a fitted series. Notes between the lowest and the
        highest that were not struck are placed by interpolation.
    """
    rows: dict[int, list[tuple[float, float, float]]] = {}
    tables: dict[tuple[int, int], list[float]] = {}
    for strike in strikes:
        if strike.f1_hz is None or strike.f0_hz is None:
            continue
        b = strike.B if strike.B is not None else 0.0
        f0 = strike.f0_hz if strike.B is not None else strike.f1_hz
        sigma = max(LEAST_SIGMA_CENTS, min(strike.series_residual_cents or 0.0, 4.0))
        rows.setdefault(strike.midi, []).append((f0, b, sigma))
        for partial in strike.partials:
            tables.setdefault((strike.midi, partial.n), []).append(partial.hz)
    if len(rows) < 3:
        return None
    struck = np.array(sorted(rows))
    f0_hz = np.array([np.median([row[0] for row in rows[m]]) for m in struck])
    stiff = np.array([np.median([row[1] for row in rows[m]]) for m in struck])
    spread = np.array([np.median([row[2] for row in rows[m]]) for m in struck])
    every = np.arange(struck[0], struck[-1] + 1)
    is_struck = np.isin(every, struck)
    cents = 1200.0 * np.log2(f0_hz) - 100.0 * struck
    f0_every = 2.0 ** ((np.interp(every, struck, cents) + 100.0 * every) / 1200.0)
    b_every = np.exp(np.interp(every, struck, np.log(np.maximum(stiff, 1e-6))))
    n = np.arange(OWN_PARTIALS + 1, dtype=np.float64)
    partials = n * f0_every[:, None] * np.sqrt(1.0 + b_every[:, None] * n**2)
    is_measured = np.zeros(partials.shape, dtype=np.bool_)
    for (midi, number), values in tables.items():
        if number <= OWN_PARTIALS:
            partials[midi - every[0], number] = np.median(values)
            is_measured[midi - every[0], number] = True
    return StringTable(
        midi=every,
        f0_hz=f0_every,
        sigma_cents=np.where(is_struck, np.interp(every, struck, spread), UNMEASURED_SIGMA_CENTS),
        partial_hz=partials,
        is_measured=is_measured,
    )


def with_own_lines(
    strings: StringTable,
    own_lines: Iterable[tuple[int, Sequence[RingLine]]],
    *,
    last_damper_midi: int,
) -> StringTable:
    """Place high partials by the lines that sound on after a key's own release.

    The highest partials of a wound string leave Fletcher's law, and while the key is held the
    lower ones hide them. Under a damper that leaks they ring on.

    Parameters
    ----------
    strings : StringTable
        The strings as measured while the keys were held.
    own_lines : iterable of (int, sequence of RingLine)
        Struck keys, and the lines after their releases.
    last_damper_midi : int
        Highest key with a damper; what the strings above it explain places no other.

    Returns
    -------
    StringTable
        With partials that were not measured moved to the lines, and those not found moved as far
        as the last that was.
    """
    partials, is_measured = strings.partial_hz.copy(), strings.is_measured.copy()
    heard: dict[int, list[float]] = {}
    for midi, lines in own_lines:
        hz = np.array([line.hz for line in lines if line.is_clean])
        heard.setdefault(midi, []).extend(hz[~_near_free(strings, hz, last_damper_midi)].tolist())
    for midi, values in heard.items():
        row = midi - int(strings.midi[0])
        if 0 <= row < strings.midi.size and values:
            _climb(partials[row], is_measured[row], np.sort(values))
    return replace(strings, partial_hz=partials, is_measured=is_measured)


def with_leaking_lines(
    strings: StringTable,
    own_lines: Iterable[tuple[int, Sequence[RingLine]]],
    *,
    last_damper_midi: int,
) -> StringTable:
    """Place all partials of leaking strings by the lines after their own releases.

    A string that rings on for a second tells its partials to a hundredth of a hertz; held for
    half a second, a bass note tells them to a few tenths.

    Parameters
    ----------
    strings : StringTable
        The strings as known so far.
    own_lines : iterable of (int, sequence of RingLine)
        Struck keys whose dampers leak, and the lines after their releases.
    last_damper_midi : int
        As in `with_own_lines`.

    Returns
    -------
    StringTable
        With the partials of those keys moved to the nearest clean lines.
    """
    partials, is_measured = strings.partial_hz.copy(), strings.is_measured.copy()
    for midi, lines in own_lines:
        row = midi - int(strings.midi[0])
        hz = np.array([line.hz for line in lines if line.is_clean])
        hz = hz[~_near_free(strings, hz, last_damper_midi)]
        if hz.size == 0 or not 0 <= row < strings.midi.size:
            continue
        known = strings.partial_hz[row, 1:]
        nearest = hz[np.argmin(np.abs(hz[None, :] - known[:, None]), axis=1)]
        off_cents = np.abs(1200.0 * np.log2(nearest / known))
        widest = np.where(
            strings.is_measured[row, 1:],
            MEASURED_CENTS + 1731.23 * MEASURED_HZ / known,
            UNMEASURED_CENTS,
        )
        spacing = 1200.0 * np.log2(1.0 + 1.0 / np.arange(1, known.size + 1))
        moves = off_cents < np.minimum(widest, NEXT_PARTIAL_SHARE * spacing)
        partials[row, 1:][moves] = nearest[moves]
        is_measured[row, 1:][moves] = True
    return replace(strings, partial_hz=partials, is_measured=is_measured)


def _near_free(strings: StringTable, hz: FloatArray, last_damper_midi: int) -> BoolArray:
    """Tell which lines strings without dampers explain."""
    return strings.near_free(
        hz, last_damper_midi=last_damper_midi, cents=FREE_CENTS, wide_hz=FREE_HZ
    )


def _climb(partials: FloatArray, is_measured: BoolArray, lines_hz: FloatArray) -> None:
    """Go upward from the highest partial measured, each line telling where the next will be."""
    last = int(np.flatnonzero(is_measured).max(initial=0))
    if last == 0:
        return
    law = partials.copy()  # of the partials that were not measured
    found = last
    shift_cents = 0.0
    for n in range(last + 1, partials.size):
        expected = law[n] * 2.0 ** (shift_cents / 1200.0)
        partials[n] = expected
        if n - found > MOST_LEAP:
            continue
        nearest = float(lines_hz[np.argmin(np.abs(lines_hz - expected))])
        off = 1200.0 * np.log2(nearest / expected)
        spacing = 1200.0 * np.log2(law[n] / law[n - 1])
        if abs(off) < min(NEXT_PARTIAL_CENTS, NEXT_PARTIAL_SHARE * spacing):
            partials[n], is_measured[n] = nearest, True
            shift_cents += off
            found = n
