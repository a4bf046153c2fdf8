"""Which key comes next?

A `RunPlan` says what the run consists of; a `KeyPlan` keeps account of it while it is played:
which blow is asked for, which were answered, which were passed and are asked for again at the end
of their round.

Functions and classes: `RunPlan`, `KeyPlan`, `usual_hold_s`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from toneapp.audio.capture.events import Ask, RunKind, Touch
from toneapp.errors import InputError
from toneapp.keyboard import FULL_COMPASS, Compass, is_black_key
from toneapp.pitch import note_name

__all__ = ["THREE_TOUCHES", "AskState", "KeyPlan", "RunPlan", "usual_hold_s"]

THREE_TOUCHES = (Touch.SOFT, Touch.MEDIUM, Touch.FIRM)

_HOLD_MIDI = (21.0, 60.0, 84.0, 108.0)
_HOLD_S = (3.0, 2.5, 1.6, 1.0)
"""How long a key is held for a decay that can be measured: the two stages of a bass note show
within three seconds, and the highest strings have died after one."""

RING_ON_HOLD_S = 0.3
"""Short, but the string must have been set in motion fully before the damper meets it."""


def usual_hold_s(midi: int, kind: RunKind) -> float:
    """How long a key should be held, in s.

    Examples
    --------
    >>> usual_hold_s(60, RunKind.EVENNESS), usual_hold_s(60, RunKind.RING_ON)
    (2.5, 0.3)
    """
    if kind is RunKind.RING_ON:
        return RING_ON_HOLD_S
    if kind is RunKind.REPETITION:
        return 0.0
    return float(round(np.interp(midi, _HOLD_MIDI, _HOLD_S), 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """What is to be played."""

    kind: RunKind = RunKind.EVENNESS
    compass: Compass = FULL_COMPASS
    order: str = "ascending"  # or "descending"
    white_only: bool = False
    notes: tuple[int, ...] = ()  # only these, such as those of a worklist; empty: all
    start_midi: int | None = None  # begin here and leave out what comes before
    touches: tuple[Touch, ...] = (Touch.ANY,)
    rounds: str = "per_note"  # all touches of a key together, or "whole": one run for each touch
    hold_s: float | None = None  # the same for all keys; None: `usual_hold_s`

    def __post_init__(self) -> None:
        """Refuse what cannot be played."""
        if self.order not in ("ascending", "descending"):
            raise ValueError(f"order is ascending or descending, got {self.order!r}")
        if self.rounds not in ("per_note", "whole"):
            raise ValueError(f"rounds are per_note or whole, got {self.rounds!r}")
        if not self.touches:
            raise ValueError("a plan needs at least one touch")
        if self.hold_s is not None and not 0.0 < self.hold_s <= 10.0:
            raise ValueError(f"a key is held up to 10 s, got {self.hold_s}")

    def keys(self) -> tuple[int, ...]:
        """Keys in the order in which they are played.

        Raises
        ------
        InputError
            If there are none.
        """
        wanted = set(self.notes)
        keys = [
            midi
            for midi in self.compass
            if (not wanted or midi in wanted) and not (self.white_only and is_black_key(midi))
        ]
        if self.order == "descending":
            keys.reverse()
        if self.start_midi is not None:
            sign = 1 if self.order == "ascending" else -1
            keys = [midi for midi in keys if sign * midi >= sign * self.start_midi]
        if not keys:
            raise InputError(
                f"no key of {self.compass} is left to be played; name other notes or another start"
            )
        return tuple(keys)

    def asks(self) -> tuple[Ask, ...]:
        """All blows in the order in which they are asked for."""
        if self.rounds == "per_note":
            pairs = [(midi, touch) for midi in self.keys() for touch in self.touches]
        else:
            pairs = [(midi, touch) for touch in self.touches for midi in self.keys()]
        return tuple(
            Ask(
                index=index,
                midi=midi,
                touch=touch,
                hold_s=self.hold_s if self.hold_s is not None else usual_hold_s(midi, self.kind),
            )
            for index, (midi, touch) in enumerate(pairs)
        )

    def to_json(self) -> dict[str, Any]:
        """As an object of JSON; `from_json` reads it."""
        return {
            "kind": self.kind.value,
            "compass": str(self.compass),
            "order": self.order,
            "white_only": self.white_only,
            "notes": [note_name(midi) for midi in self.notes],
            "start_midi": self.start_midi,
            "touches": [touch.value for touch in self.touches],
            "rounds": self.rounds,
            "hold_s": self.hold_s,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> RunPlan:
        """Read what `to_json` wrote.

        Raises
        ------
        ValueError, TypeError, KeyError
            If it is something else.
        """
        from toneapp.pitch import parse_note

        start, hold = data["start_midi"], data["hold_s"]
        return cls(
            kind=RunKind(data["kind"]),
            compass=Compass.parse(data["compass"]),
            order=str(data["order"]),
            white_only=bool(data["white_only"]),
            notes=tuple(parse_note(name) for name in data["notes"]),
            start_midi=None if start is None else int(start),
            touches=tuple(Touch(name) for name in data["touches"]),
            rounds=str(data["rounds"]),
            hold_s=None if hold is None else float(hold),
        )


class AskState(StrEnum):
    """What became of a blow that is asked for."""

    OPEN = "open"
    DONE = "done"
    LEFT_OUT = "left_out"


class KeyPlan:
    """Account of a plan while it is played.

    Parameters
    ----------
    plan : RunPlan
        What is to be played.
    done, left_out : iterable of int
        Indices of asks that were answered or left out before (a run that is gone on with).
    """

    def __init__(
        self, plan: RunPlan, *, done: Iterable[int] = (), left_out: Iterable[int] = ()
    ) -> None:
        self.plan = plan
        self.asks = plan.asks()
        self._state = [AskState.OPEN] * len(self.asks)
        for index in done:
            self._state[index] = AskState.DONE
        for index in left_out:
            self._state[index] = AskState.LEFT_OUT
        last = max((i for i, s in enumerate(self._state) if s is not AskState.OPEN), default=-1)
        self._at: int | None = last
        self._move_on()

    @property
    def current(self) -> Ask | None:
        """The blow that is asked for; ``None`` when all is done."""
        return None if self._at is None else self.asks[self._at]

    @property
    def good(self) -> int:
        """Blows that count."""
        return self._state.count(AskState.DONE)

    @property
    def wanted(self) -> int:
        """Blows that are asked for in all."""
        return len(self.asks) - self._state.count(AskState.LEFT_OUT)

    @property
    def left_out(self) -> tuple[int, ...]:
        """Indices of the asks that were left out."""
        return tuple(i for i, state in enumerate(self._state) if state is AskState.LEFT_OUT)

    @property
    def open_keys(self) -> tuple[int, ...]:
        """Keys that were passed and are still wanted, upward."""
        if self._at is None:
            return ()
        passed = self.asks[: self._at]
        return tuple(
            sorted({ask.midi for ask in passed if self._state[ask.index] is AskState.OPEN})
        )

    def state(self, index: int) -> AskState:
        """What became of a blow that the plan asks for."""
        return self._state[index]

    def is_open(self, index: int) -> bool:
        """Tell whether a blow is still wanted."""
        return self._state[index] is AskState.OPEN

    def answer(self, index: int) -> None:
        """Count a blow; the plan goes on behind it."""
        self._state[index] = AskState.DONE
        self._at = index
        self._move_on()

    def reopen(self, index: int) -> None:
        """Ask for a blow again, now."""
        self._state[index] = AskState.OPEN
        self._at = index

    def leave_out(self) -> None:
        """Leave the present key out, whatever the touch."""
        if self._at is None:
            return
        midi = self.asks[self._at].midi
        for ask in self.asks:
            if ask.midi == midi and self._state[ask.index] is AskState.OPEN:
                self._state[ask.index] = AskState.LEFT_OUT
        self._move_on()

    def pass_over(self) -> None:
        """Go on to the next key; the present one is asked for again at the end."""
        if self._at is None:
            return
        midi = self.asks[self._at].midi
        last = self._at
        while last < len(self.asks) - 1 and self.asks[last + 1].midi == midi:
            last += 1
        self._at = last
        self._move_on()  # comes back here when nothing else is open

    def go_back(self) -> int | None:
        """Ask for the blow before the present one again; its index, or ``None`` at the start."""
        before = (len(self.asks) if self._at is None else self._at) - 1
        while before >= 0 and self._state[before] is AskState.LEFT_OUT:
            before -= 1
        if before < 0:
            return None
        self.reopen(before)
        return before

    def next_key(self, index: int) -> int | None:
        """Key that follows in the plan's order on that of an ask; ``None`` at the end."""
        midi = self.asks[index].midi
        return next((ask.midi for ask in self.asks[index + 1 :] if ask.midi != midi), None)

    def ahead(self, midi: int, *, keys: int) -> int | None:
        """Index of the first open blow on a key, if it lies within the next `keys` keys."""
        if self._at is None:
            return None
        seen = [self.asks[self._at].midi]
        for ask in self.asks[self._at :]:
            if ask.midi != seen[-1]:
                seen.append(ask.midi)
            if len(seen) > keys + 1:
                return None
            if ask.midi == midi and self.is_open(ask.index):
                return ask.index
        return None

    def _move_on(self) -> None:
        """Go to the next open blow, or back to the first that was passed."""
        start = 0 if self._at is None else self._at + 1
        order = [*range(start, len(self.asks)), *range(min(start, len(self.asks)))]
        if self.plan.rounds == "whole" and start > 0:
            # What was passed in this round comes before the next round.
            touch = self.asks[start - 1].touch
            order.sort(key=lambda index: self.asks[index].touch is not touch)
        self._at = next((i for i in order if self.is_open(i)), None)
