"""What is to be recorded, as a person chooses it, and what does that come to?

Knows no widget: from the choice come the plan of the run and the facts noted with it.

Classes and functions: `RecordChoice`, `Rounds`, `Keys`, `plan_text`, `playing_time_s`,
`left_text`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from toneapp.audio.capture import (
    THREE_TOUCHES,
    RunKind,
    RunPlan,
    Touch,
    UnfinishedRun,
)
from toneapp.errors import InputError
from toneapp.keyboard import Compass
from toneapp.library import Instrument
from toneapp.library.recorded import RecordedFacts
from toneapp.wording import duration_text

__all__ = [
    "Keys",
    "RecordChoice",
    "Rounds",
    "left_text",
    "plan_text",
    "playing_time_s",
]

_BETWEEN_S = {RunKind.EVENNESS: 1.6, RunKind.RING_ON: 3.0, RunKind.REPETITION: 6.0}
"""From the letting go of a key to the next blow, at an easy pace; for a repetition the blows and
the pause (common practice, no source)."""


class Rounds(StrEnum):
    """How often a key is struck, and in which order."""

    ONE = "one"
    THREE_ON_KEY = "three_on_key"
    THREE_RUNS = "three_runs"


class Keys(StrEnum):
    """Which keys of the compass are played."""

    ALL = "all"
    WHITE = "white"
    WORKLIST = "worklist"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordChoice:
    """What a person has chosen."""

    instrument: Instrument
    kind: RunKind = RunKind.EVENNESS
    rounds: Rounds = Rounds.ONE
    keys: Keys = Keys.ALL
    worklist: tuple[int, ...] = ()  # notes with open work, for `Keys.WORKLIST`
    compass: Compass | None = None  # None: that of the instrument
    start_midi: int | None = None
    order: str = "ascending"
    hold_s: float | None = None
    condition: str = ""
    place: str = ""
    microphone: str = ""
    gain_note: str = ""
    again_run_id: int | None = None  # its notes once more, beside it

    def plan(self) -> RunPlan:
        """Plan of the run.

        Raises
        ------
        InputError
            If no key is left to be played.
        """
        notes: tuple[int, ...] = ()
        if self.keys is Keys.WORKLIST:
            if not self.worklist:
                raise InputError(
                    "the worklist of the chosen run has no open note; choose other keys"
                )
            notes = tuple(sorted(set(self.worklist)))
        is_one = self.rounds is Rounds.ONE or self.kind is RunKind.REPETITION
        plan = RunPlan(
            kind=self.kind,
            compass=self.compass or self.instrument.compass,
            order=self.order,
            white_only=self.keys is Keys.WHITE,
            notes=notes,
            start_midi=self.start_midi,
            touches=(Touch.ANY,) if is_one else THREE_TOUCHES,
            rounds="whole" if self.rounds is Rounds.THREE_RUNS else "per_note",
            hold_s=self.hold_s,
        )
        plan.keys()  # is there a key to play?
        return plan

    def facts(self, *, detune_semitones: float) -> RecordedFacts:
        """Facts that are noted with the recording.

        Parameters
        ----------
        detune_semitones : float
            Where the instrument stood in its last run, against A4 = 440 Hz.
        """
        return RecordedFacts(
            again=self.again_run_id,
            instrument=self.instrument.id,
            condition=self.condition,
            place=self.place,
            microphone=self.microphone,
            gain_note=self.gain_note,
            last_damper_midi=self.instrument.last_damper_midi,
            a4_hz=self.instrument.a4_hz,
            detune_semitones=detune_semitones,
        )


def playing_time_s(plan: RunPlan) -> float:
    """About how long it takes to play a plan at an easy pace, in s."""
    return sum(ask.hold_s + _BETWEEN_S[plan.kind] for ask in plan.asks())


def plan_text(plan: RunPlan) -> str:
    """Say what a plan comes to, such as ``"88 keys, 264 blows, about 15 min"``."""
    keys, blows = len(plan.keys()), len(plan.asks())
    minutes = max(1, round(playing_time_s(plan) / 60.0))
    words = [f"{keys} {'key' if keys == 1 else 'keys'}"]
    if plan.kind is RunKind.REPETITION:
        words.append("six fast blows or more on each")
    elif blows != keys:
        words.append(f"{blows} blows")
    words.append(f"about {minutes} min")
    return ", ".join(words)


def left_text(run: UnfinishedRun) -> str:
    """Say how far a run came that was left behind."""
    plan = run.key_plan()
    day, clock = run.made_at[:10], run.made_at[11:16]
    return (
        f"Recorded on {day} at {clock}, {duration_text(run.duration_s)} long: "
        f"{plan.good} of {plan.wanted} blows are there"
    )
