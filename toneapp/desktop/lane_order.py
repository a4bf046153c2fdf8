"""In which order do the lanes stand, which are hidden, and which one is enlarged?

Frozen; every change gives a new order. Kept between sessions as one line of text.

Classes: `LaneOrder`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from toneapp.desktop.map_lanes import LANE_KINDS

__all__ = ["LaneOrder"]

ENLARGED_SHARE = 3.0
"""Height of an enlarged lane over that of the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneOrder:
    """Order and state of the lanes; the keys are those of `LANE_KINDS`."""

    keys: tuple[str, ...] = tuple(LANE_KINDS)  # from top to bottom, hidden ones too
    hidden: frozenset[str] = frozenset(
        key for key, kind in LANE_KINDS.items() if not kind.is_shown
    )
    enlarged: str = ""  # at most one

    @property
    def shown(self) -> tuple[str, ...]:
        """Keys of the lanes to draw, from top to bottom."""
        return tuple(key for key in self.keys if key not in self.hidden)

    def shares(self) -> dict[str, float]:
        """Share of the height for each lane that is shown; they add up to 1."""
        weights = {key: ENLARGED_SHARE if key == self.enlarged else 1.0 for key in self.shown}
        total = sum(weights.values())
        return {key: weight / total for key, weight in weights.items()}

    def with_shown(self, key: str, *, is_shown: bool) -> LaneOrder:
        """Show or hide a lane; the last one that is shown stays."""
        if is_shown:
            return replace(self, hidden=self.hidden - {key})
        if self.shown == (key,):
            return self
        enlarged = "" if key == self.enlarged else self.enlarged
        return replace(self, hidden=self.hidden | {key}, enlarged=enlarged)

    def moved(self, key: str, *, places: int) -> LaneOrder:
        """Move a lane past others that are shown: up when `places` is negative."""
        shown = list(self.shown)
        if key not in shown:
            return self
        at = shown.index(key)
        to = min(max(at + places, 0), len(shown) - 1)
        if to == at:
            return self
        rest = [item for item in self.keys if item != key]
        place = rest.index(shown[to]) + (1 if to > at else 0)
        rest.insert(place, key)
        return replace(self, keys=tuple(rest))

    def with_enlarged(self, key: str) -> LaneOrder:
        """Enlarge a lane, or give it its usual height again."""
        return replace(self, enlarged="" if key == self.enlarged else key)

    def to_text(self) -> str:
        """Write the order for `from_text`.

        Examples
        --------
        >>> order = LaneOrder().with_shown("level", is_shown=False)
        >>> LaneOrder.from_text(order.to_text()) == order
        True
        """
        return " ".join(
            ("*" if key == self.enlarged else "") + ("-" if key in self.hidden else "") + key
            for key in self.keys
        )

    @classmethod
    def from_text(cls, text: str) -> LaneOrder:
        """Read an order; words that are not known are passed over, missing lanes come last."""
        usual = cls()
        keys, hidden, enlarged = [], set(), ""
        for word in text.split():
            key = word.lstrip("*-")
            if key not in LANE_KINDS or key in keys:
                continue
            keys.append(key)
            signs = word[: len(word) - len(key)]
            if "-" in signs:
                hidden.add(key)
            if "*" in signs:
                enlarged = key
        missing = [key for key in usual.keys if key not in keys]
        hidden |= {key for key in missing if key in usual.hidden}
        order = cls(keys=(*keys, *missing), hidden=frozenset(hidden), enlarged=enlarged)
        return order if order.shown else usual
