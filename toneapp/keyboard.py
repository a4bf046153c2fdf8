"""The keyboard of one instrument: which notes it has, and where its construction changes.

`Compass` is the range of keys; `KeyboardLayout` adds the breaks (first plain-wire note, last note
with a damper). Notes are MIDI numbers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from toneapp.pitch import note_name, parse_note

__all__ = ["FULL_COMPASS", "Compass", "KeyboardLayout", "is_black_key"]

LOWEST_MIDI = 12
HIGHEST_MIDI = 120
"""Notes C0 to C9: beyond the widest pianos built (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compass:
    """Range of keys, both ends included."""

    lowest_midi: int
    highest_midi: int

    def __post_init__(self) -> None:
        """Refuse a range that no keyboard has."""
        if not LOWEST_MIDI <= self.lowest_midi <= self.highest_midi <= HIGHEST_MIDI:
            raise ValueError(
                f"a compass runs upward within C0-C9, got {self.lowest_midi}-{self.highest_midi}"
            )

    @classmethod
    def parse(cls, text: str) -> Compass:
        """Read a compass such as ``"A0-C8"``.

        Raises
        ------
        ValueError
            If the text is not two note names joined by a hyphen, lower first.

        Examples
        --------
        >>> len(Compass.parse("A0-A7"))
        85
        """
        # A note name may itself hold a hyphen (octave -1), but no key lies that low.
        low, hyphen, high = text.replace("–", "-").partition("-")
        if not hyphen:
            raise ValueError(f"{text!r} is not a compass such as A0-C8")
        return cls(lowest_midi=parse_note(low), highest_midi=parse_note(high))

    def __len__(self) -> int:
        """Return the number of keys."""
        return self.highest_midi - self.lowest_midi + 1

    def __iter__(self) -> Iterator[int]:
        """Iterate over the MIDI numbers, upward."""
        return iter(range(self.lowest_midi, self.highest_midi + 1))

    def __contains__(self, midi: object) -> bool:
        """Tell whether a MIDI number lies in the range."""
        return isinstance(midi, int) and self.lowest_midi <= midi <= self.highest_midi

    def __str__(self) -> str:
        """Write the compass as it is read by `parse`."""
        return f"{note_name(self.lowest_midi)}-{note_name(self.highest_midi)}"


FULL_COMPASS = Compass(lowest_midi=21, highest_midi=108)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyboardLayout:
    """Compass and breaks of one instrument; a break that is not known is ``None``."""

    compass: Compass = FULL_COMPASS
    first_plain_midi: int | None = None  # lowest note with plain (not wound) strings
    last_damper_midi: int | None = None  # highest note that has a damper
    bass_bridge_top_midi: int | None = None  # highest note on the bass bridge

    def breaks(self) -> tuple[int, ...]:
        """First notes of the sections after the lowest, upward, without repeats."""
        firsts = set()
        if self.first_plain_midi is not None:
            firsts.add(self.first_plain_midi)
        if self.last_damper_midi is not None:
            firsts.add(self.last_damper_midi + 1)
        if self.bass_bridge_top_midi is not None:
            firsts.add(self.bass_bridge_top_midi + 1)
        low, high = self.compass.lowest_midi, self.compass.highest_midi
        return tuple(sorted(midi for midi in firsts if low < midi <= high))


def is_black_key(midi: int) -> bool:
    """Tell whether a note lies on a raised key.

    Examples
    --------
    >>> is_black_key(61), is_black_key(60)
    (True, False)
    """
    return midi % 12 in (1, 3, 6, 8, 10)
