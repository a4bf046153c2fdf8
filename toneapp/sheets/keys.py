"""Where along a chart does each key lie, and which values does its scale name?

White keys are equally wide and a black key lies over the joint of two, as on the instrument, so
that a point in a chart stands above the middle of its key.

Classes and functions: `KeyPlaces`, `Scale`, `round_values`, `value_text`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from toneapp.keyboard import Compass, is_black_key
from toneapp.pitch import note_name
from toneapp.sheets.drawing import Area, Label, Shape

__all__ = ["KeyPlaces", "Scale", "round_values", "value_text"]

_BLACK_WIDTH, _BLACK_LENGTH = 0.62, 0.62  # of a white key
_NAME_SIZE = 11.0


class KeyPlaces:
    """Places of the keys of a compass between two ends of a drawing.

    Parameters
    ----------
    compass : Compass
        Keys to place; a black key at an end gets the white one beside it.
    left, right : float
        Ends of the drawn keyboard.
    """

    def __init__(self, compass: Compass, *, left: float, right: float) -> None:
        self.compass = compass
        low, high = compass.lowest_midi, compass.highest_midi
        self._first = low - 1 if is_black_key(low) else low
        self._last = high + 1 if is_black_key(high) else high
        self.left, self.right = left, right
        whites = sum(not is_black_key(midi) for midi in range(self._first, self._last + 1))
        self.white_width = (right - left) / whites

    def x(self, midi: int) -> float:
        """Middle of a key."""
        below = sum(not is_black_key(key) for key in range(self._first, midi))
        return self.left + self.white_width * (below + (0.0 if is_black_key(midi) else 0.5))

    def octaves(self) -> list[int]:
        """Notes C of the compass, upward."""
        return [midi for midi in self.compass if midi % 12 == 0]

    def keyboard(self, *, top: float, height: float) -> list[Shape]:
        """Draw the keys, and below them the names of the notes C."""
        keys = range(self._first, self._last + 1)
        shapes: list[Shape] = [
            Area(
                left=self.x(midi) - self.white_width / 2, top=top, width=self.white_width,
                height=height, role="key-white", edge_role="key-edge",
            )
            for midi in keys if not is_black_key(midi)
        ]  # fmt: skip
        width = self.white_width * _BLACK_WIDTH
        shapes += [
            Area(
                left=self.x(midi) - width / 2, top=top, width=width,
                height=height * _BLACK_LENGTH, role="key-black",
            )
            for midi in keys if is_black_key(midi)
        ]  # fmt: skip
        named = self.octaves()
        low = self.compass.lowest_midi
        if not named or self.x(named[0]) - self.x(low) > 2.2 * _NAME_SIZE:
            named = [low, *named]
        shapes += [
            Label(
                x=self.x(midi), y=top + height + 1.15 * _NAME_SIZE, text=note_name(midi),
                size=_NAME_SIZE, role="muted", anchor="middle",
            )
            for midi in named
        ]  # fmt: skip
        return shapes


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """From a value to its height in a chart."""

    low: float
    high: float
    top: float
    bottom: float
    is_logarithmic: bool = False

    @classmethod
    def around(
        cls, values: Iterable[float], *, top: float, bottom: float, is_logarithmic: bool = False
    ) -> Scale:
        """Scale that shows all values, with a margin.

        Raises
        ------
        ValueError
            If there is no value, or one is not positive where the scale is logarithmic.
        """
        known = list(values)
        if is_logarithmic:
            low, high = math.log10(min(known)), math.log10(max(known))
            margin = max(0.06 * (high - low), 0.06)
            low, high = 10.0 ** (low - margin), 10.0 ** (high + margin)
        else:
            low, high = min(known), max(known)
            margin = max(0.08 * (high - low), 0.02 * max(abs(low), abs(high)), 1e-6)
            low, high = low - margin, high + margin
        return cls(low=low, high=high, top=top, bottom=bottom, is_logarithmic=is_logarithmic)

    def y(self, value: float) -> float:
        """Height of a value, held within the ends."""
        low, high = self.low, self.high
        value = min(max(value, low), high)
        if self.is_logarithmic:
            value, low, high = math.log10(value), math.log10(low), math.log10(high)
        return self.bottom - (value - low) / (high - low) * (self.bottom - self.top)

    def ticks(self, most: int = 5) -> list[float]:
        """Round values within the ends, upward."""
        return round_values(self.low, self.high, is_logarithmic=self.is_logarithmic, most=most)


def round_values(
    low: float, high: float, *, is_logarithmic: bool = False, most: int = 5
) -> list[float]:
    """Round values between two ends.

    Parameters
    ----------
    low, high : float
        ``low < high``; positive when logarithmic.
    is_logarithmic : bool
        Kind of scale.
    most : int
        No more values than this, >= 2.

    Returns
    -------
    list of float
        Upward, at least one on a linear scale.

    Examples
    --------
    >>> round_values(-31.0, -12.0, most=4)
    [-30.0, -25.0, -20.0, -15.0]
    >>> round_values(0.4, 30.0, is_logarithmic=True)
    [1.0, 3.0, 10.0, 30.0]
    """
    if is_logarithmic:
        decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        found: list[float] = []
        for steps in ((1, 2, 3, 4, 5, 6, 8), (1, 2, 5), (1, 3), (1,)):
            every = [float(f"{step * 10.0**decade:.3g}") for decade in decades for step in steps]
            found = [value for value in every if low <= value <= high]
            if len(found) <= most:
                break
        return found[:: -(-len(found) // most)] if found else []
    exponent = math.floor(math.log10(high - low)) - 1
    while True:
        for step in (1.0, 2.0, 5.0):
            width = step * 10.0**exponent
            first, last = math.ceil(low / width), math.floor(high / width)
            if last - first + 1 <= most:
                return [round(k * width, max(0, -exponent)) for k in range(first, last + 1)]
        exponent += 1


def value_text(value: float) -> str:
    """Say a round value of a scale.

    Examples
    --------
    >>> value_text(-0.5), value_text(30.0)
    ('−0.5', '30')
    """
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")
