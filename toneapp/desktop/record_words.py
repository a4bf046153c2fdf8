"""What is shown to a person two metres away, at this moment of a recording?

From what the engine says now and the last verdict comes one `StageView`: a sign, one or two large
words, the note, and a line of detail. It knows no widget.

Classes and functions: `StageView`, `StageSign`, `StageTone`, `stage_view`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from toneapp.audio.capture import (
    Ask,
    Blow,
    RunKind,
    Snapshot,
    State,
    Touch,
    level_text,
    reason_text,
)
from toneapp.pitch import note_name
from toneapp.wording import quantity_text

__all__ = ["StageSign", "StageTone", "StageView", "stage_view", "verdict_text"]

GOOD_SHOWN_S = 1.5
"""So long "good" is said in large letters, unless the next blow comes before."""


class StageSign(StrEnum):
    """A shape for each state, so that none hangs on its colour."""

    LISTEN = "listen"  # ever wider bows
    PLAY = "play"  # an arrow down
    HOLD = "hold"  # a full square
    LET_GO = "let_go"  # an arrow up
    QUIET = "quiet"  # a flat line
    GOOD = "good"  # a tick
    AGAIN = "again"  # an arrow that turns back
    PAUSED = "paused"  # two bars
    TROUBLE = "trouble"  # a triangle with a mark
    DONE = "done"  # a tick in a ring


class StageTone(StrEnum):
    """How the ground behind it is coloured."""

    PLAIN = "plain"
    ACTIVE = "active"  # a key is down
    DONE = "done"  # good, let go
    WARN = "warn"  # again, trouble
    STILL = "still"  # paused


@dataclass(frozen=True, slots=True, kw_only=True)
class StageView:
    """What the stage shows."""

    note: str  # such as "C4"; empty when nothing is asked for
    touch: str  # such as "soft"
    sign: StageSign
    word: str  # such as "Hold"
    detail: str  # a sentence, or nothing
    tone: StageTone
    held_s: float | None = None
    hold_s: float | None = None
    verdict: str = ""  # of the last blow
    is_good: bool | None = None  # the last blow

    def spoken(self) -> str:
        """Whole state in words, for a screen reader and for tests."""
        words = [self.word, self.note, self.touch, self.detail]
        return ", ".join(word for word in words if word)


_TOUCH_WORDS = {
    Touch.ANY: "",
    Touch.SOFT: "soft",
    Touch.MEDIUM: "medium",
    Touch.FIRM: "firm",
}


def verdict_text(blow: Blow) -> str:
    """Tell the last blow in one line, in the order in which a person wants to know it."""
    parts = [note_name(blow.midi), reason_text(blow)]
    if blow.repetition is not None:
        figures = blow.repetition
        parts.append(quantity_text(figures.strikes_per_s, "blows a second", decimals=1))
        parts.append("none missed" if not figures.missed else f"{figures.missed} missed")
    else:
        if blow.level_db is not None:
            parts.append(level_text(blow) or quantity_text(blow.level_db, "dB", decimals=0))
        if blow.cents is not None:
            parts.append(quantity_text(blow.cents, "cents", decimals=1, is_signed=True))
        if blow.touch_step_db is not None:
            step = quantity_text(blow.touch_step_db, "dB", decimals=0, is_signed=True)
            parts.append(f"{step} from the softer blow")
    return ",  ".join(parts)


def stage_view(
    seen: Snapshot,
    last: Blow | None,
    *,
    kind: RunKind,
    since_verdict_s: float,
    note: str = "",
) -> StageView:
    """Say what is shown now.

    Parameters
    ----------
    seen : Snapshot
        What the engine says.
    last : Blow or None
        The last blow that was judged, and not taken back since.
    kind : RunKind
        What the run is for.
    since_verdict_s : float
        Time since that verdict, in s.
    note : str
        A sentence that matters now, such as "sound was lost".

    Returns
    -------
    StageView
    """
    ask = seen.ask
    touch = "" if ask is None else _TOUCH_WORDS[ask.touch]
    sign, word, detail, tone = _state_words(seen, last, kind, since_verdict_s)
    is_blow = seen.state in (State.HELD, State.ENOUGH)
    return StageView(
        note="" if ask is None else note_name(ask.midi),
        touch=touch,
        sign=sign,
        word=word,
        detail=note if note and not detail else detail,
        tone=tone,
        held_s=seen.held_s if is_blow else None,
        hold_s=ask.hold_s if is_blow and ask is not None and ask.hold_s > 0 else None,
        verdict="" if last is None else verdict_text(last),
        is_good=None if last is None else last.is_counted or last.is_good,
    )


_Words = tuple[StageSign, str, str, StageTone]


def _state_words(
    seen: Snapshot, last: Blow | None, kind: RunKind, since_verdict_s: float
) -> _Words:
    match seen.state:
        case State.CHECKING:
            return (
                StageSign.LISTEN,
                "Quiet, please",
                "Listening to the room. Do not play yet.",
                StageTone.PLAIN,
            )
        case State.HELD:
            if kind is RunKind.REPETITION:
                return StageSign.HOLD, "Go on, fast", "Stop after a few seconds", StageTone.ACTIVE
            return StageSign.HOLD, "Hold", "", StageTone.ACTIVE
        case State.ENOUGH:
            return StageSign.LET_GO, "Let go", "", StageTone.DONE
        case State.RELEASED:
            return StageSign.QUIET, "Quiet", "Listening to how it ends", StageTone.PLAIN
        case State.PAUSED:
            return StageSign.PAUSED, "Paused", "What was recorded is kept", StageTone.STILL
        case State.INTERRUPTED:
            text = seen.fault_text
            return StageSign.TROUBLE, "Wait", text[:1].upper() + text[1:], StageTone.WARN
        case State.DONE | State.STOPPED:
            return StageSign.DONE, "All keys are there", "Space: finish", StageTone.DONE
        case State.WAITING:
            return _waiting_words(seen.ask, last, kind, since_verdict_s)


def _waiting_words(
    ask: Ask | None, last: Blow | None, kind: RunKind, since_verdict_s: float
) -> _Words:
    if last is not None and not (last.is_good or last.is_counted):
        text = reason_text(last)
        return StageSign.AGAIN, "Again", text[:1].upper() + text[1:], StageTone.WARN
    if last is not None and since_verdict_s < GOOD_SHOWN_S:
        return StageSign.GOOD, "Good", "", StageTone.DONE
    return StageSign.PLAY, "Play", _how(ask, kind), StageTone.PLAIN


def _how(ask: Ask | None, kind: RunKind) -> str:
    if ask is None:
        return ""
    if kind is RunKind.REPETITION:
        return "Strike it as fast as it will go, six times or more"
    if kind is RunKind.RING_ON:
        return "A short blow, then silence"
    return f"Hold it for {quantity_text(ask.hold_s, 's', decimals=1)}"
