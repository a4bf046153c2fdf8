"""Which blows count, and for which ask of the plan?

A wrong key is asked for again; who plays on in the order of the plan without looking is followed.
What was counted can be taken back, and what was not can be kept.

Classes: `BlowAccount`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from toneapp.audio.capture.events import Blow, BlowJudged, BlowRevised, Event, Reason
from toneapp.audio.capture.judging import LevelBook
from toneapp.audio.capture.plan import KeyPlan
from toneapp.audio.capture.recognition import Recogniser
from toneapp.pitch import hz_to_midi
from toneapp.results import Flag

__all__ = ["BlowAccount"]

RESULTS_KEPT = 8
"""Full results are kept for the last blows only, so that memory does not grow with the run; those
who want them all take them from the events."""

AHEAD_KEYS = 3
"""A blow up to three keys ahead of the one asked for can be the run going on without looking."""


class BlowAccount:
    """Account of the blows of a run.

    Parameters
    ----------
    plan : KeyPlan
        Moved by what counts.
    recogniser : Recogniser
        Learns where the instrument stands from what counts.
    blows : sequence of Blow
        Blows of the run before this (a run that is gone on with).

    Attributes
    ----------
    blows : list of Blow
        All blows, as they are judged now.
    levels : LevelBook
        Levels of those that count.
    """

    def __init__(
        self, plan: KeyPlan, recogniser: Recogniser, *, blows: Sequence[Blow] = ()
    ) -> None:
        self.plan = plan
        self.blows = list(blows)
        self.levels = LevelBook()
        self._recogniser = recogniser
        self._attempted: int | None = None  # index of the ask that was struck at, rightly or not
        self._pending: Blow | None = None  # a blow ahead of the plan, else good
        for blow in blows:
            if blow.is_counted and blow.level_db is not None:
                self.levels.enter(blow.midi, blow.ask.touch, blow.level_db)

    def enter(self, blow: Blow) -> list[Event]:
        """Enter a blow that was judged: let it count or not, and move the plan."""
        self.blows.append(blow)
        if len(self.blows) > RESULTS_KEPT:
            old = len(self.blows) - 1 - RESULTS_KEPT
            self.blows[old] = replace(self.blows[old], result=None)
        events: list[Event] = []
        self._settle(len(self.blows) - 1, events)
        return events

    def target(self, midi: int) -> int | None:
        """Index of the ask that a blow on this key may answer now; ``None``: a wrong key."""
        ask = self.plan.current
        if ask is None:
            return None
        if midi == ask.midi:
            return ask.index
        ahead = self.plan.ahead(midi, keys=AHEAD_KEYS)
        if ahead is None:
            return None
        # Who has struck at the key asked for and goes on has not looked, or has not believed.
        if self._attempted == ask.index and self.plan.next_key(ask.index) == midi:
            return ahead
        pending = self._pending
        if pending is not None and pending.filled is not None:
            # Two blows in the plan's order ahead of it: the run has gone on.
            asks = self.plan.asks
            same_key_again = midi == pending.midi and ahead > pending.filled
            follows = self.plan.next_key(pending.filled) == midi
            if follows or (same_key_again and asks[ahead].midi == midi):
                return ahead
        return None

    def forget_attempt(self) -> None:
        """Take what was struck for no attempt at the key that is asked for now."""
        self._attempted = None
        self._pending = None

    def forget_pending(self) -> None:
        """Let a blow ahead of the plan be one that nothing followed."""
        self._pending = None

    def uncount(self, ask_index: int) -> list[Event]:
        """Let the blow that answered an ask no longer count."""
        events: list[Event] = []
        for at, blow in enumerate(self.blows):
            if blow.is_counted and blow.filled == ask_index:
                self.blows[at] = replace(blow, is_counted=False)
                events.append(BlowRevised(blow=self.blows[at]))
        return events

    def ask_again(self) -> list[Event]:
        """Ask once more for what the last blow answered."""
        self.forget_attempt()
        last = self.blows[-1] if self.blows else None
        if last is None or not last.is_counted or last.filled is None:
            return []
        events = self.uncount(last.filled)
        self.plan.reopen(last.filled)
        return events

    def keep(self) -> list[Event]:
        """Let the last blow count after all, as the key that was asked for; none if it cannot."""
        last = self.blows[-1] if self.blows else None
        if last is None or last.is_counted or Reason.LOST_SOUND in last.reasons:
            return []
        target = last.filled if last.filled is not None else last.ask.index
        if not self.plan.is_open(target):
            return []
        if last.midi != self.plan.asks[target].midi and last.result is not None:
            # Then the instrument does not stand where it was thought to.
            hz = last.result.f1_hz
            if hz is not None:
                self._recogniser.shift_to(self.plan.asks[target].midi, hz_to_midi(hz))
        events = self.uncount(target)
        self.blows[-1] = replace(
            last, is_counted=True, filled=target, midi=self.plan.asks[target].midi
        )
        self.forget_attempt()
        self.plan.answer(target)
        if last.level_db is not None:
            self.levels.enter(self.blows[-1].midi, self.plan.asks[target].touch, last.level_db)
        events.append(BlowRevised(blow=self.blows[-1]))
        return events

    def _settle(self, index: int, events: list[Event]) -> None:
        """Let a judged blow count or not, and move the plan."""
        blow = self.blows[index]
        ask = blow.ask
        if blow.filled is None:
            ahead = self.plan.ahead(blow.midi, keys=AHEAD_KEYS)
            only_key = blow.reasons == (Reason.WRONG_KEY,)
            self._pending = replace(blow, filled=ahead) if ahead is not None and only_key else None
            self._attempted = ask.index
            # A key ahead that may have been meant is not an attempt at the one asked for.
            if self._pending is not None:
                self._attempted = None
            events.append(BlowJudged(blow=blow))
            return
        if blow.filled != ask.index and self._pending is not None:
            self._accept_pending(blow, events)
        self._pending = None
        if blow.is_good:
            self.plan.answer(blow.filled)
            self._count(index)
            self._attempted = None
            self._learn(blow)
        else:
            if blow.filled != ask.index:
                self.plan.reopen(blow.filled)
            self._attempted = blow.filled
        events.append(BlowJudged(blow=self.blows[index]))

    def _accept_pending(self, blow: Blow, events: list[Event]) -> None:
        """Count the blow ahead of the plan that the one after it has explained."""
        pending = self._pending
        assert pending is not None
        assert pending.filled is not None
        if blow.filled is None or not pending.filled < blow.filled:
            return
        at = pending.number - 1
        self.blows[at] = replace(pending, reasons=(Reason.GOOD,), is_counted=True)
        self.plan.answer(pending.filled)
        self._learn(self.blows[at])
        events.append(BlowRevised(blow=self.blows[at]))

    def _count(self, index: int) -> None:
        self.blows[index] = replace(self.blows[index], is_counted=True)

    def _learn(self, blow: Blow) -> None:
        """Learn level and pitch from a blow that counts."""
        assert blow.filled is not None
        touch = self.plan.asks[blow.filled].touch
        if blow.level_db is not None:
            self.levels.enter(blow.midi, touch, blow.level_db)
        result = blow.result
        if result is not None and result.f1_hz is not None and Flag.NO_PITCH not in result.flags:
            self._recogniser.learn(blow.midi, hz_to_midi(result.f1_hz))
