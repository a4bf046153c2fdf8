"""How are single strikes named beside a figure?

Functions: `most`, `worst`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from toneapp.pitch import note_name

__all__ = ["most", "worst"]


def most(counts: Counter[str]) -> str:
    """Name the most frequent."""
    return ", ".join(name + (f" x{k}" if k > 1 else "") for name, k in counts.most_common(8))


def worst(errors: Sequence[tuple[int, float]]) -> str:
    """Name the largest errors."""
    largest = sorted(errors, key=lambda item: -abs(item[1]))[:4]
    return "worst " + ", ".join(f"{note_name(midi)} {error:+.2f}" for midi, error in largest)
