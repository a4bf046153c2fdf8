"""What is said, in one short sentence, to a person who stands at the piano?

Functions: `ask_text`, `state_text`, `blow_text`, `reason_text`, `fault_text`, `resumed_text`,
`level_text`.
"""

from __future__ import annotations

from toneapp.audio.capture.events import Ask, Blow, Fault, Reason, State, Touch
from toneapp.pitch import note_name
from toneapp.wording import quantity_text

__all__ = [
    "ask_text",
    "blow_text",
    "fault_text",
    "level_text",
    "reason_text",
    "resumed_text",
    "state_text",
]

_STATES = {
    State.CHECKING: "listening to the room: do not play yet",
    State.WAITING: "play",
    State.HELD: "hold",
    State.ENOUGH: "let go",
    State.RELEASED: "quiet, please",
    State.PAUSED: "paused",
    State.INTERRUPTED: "interrupted",
    State.DONE: "all keys are there",
    State.STOPPED: "stopped",
}

_REASONS = {
    Reason.GOOD: "good",
    Reason.CLIPPED: "too loud for the input: turn it down",
    Reason.TOO_SOFT: "too soft",
    Reason.TOO_SHORT: "hold it longer",
    Reason.NEXT_TOO_SOON: "wait longer before the next key",
    Reason.NOISE: "a noise fell into it",
    Reason.DOUBLE_BLOW: "struck twice",
    Reason.NO_PITCH: "no clear note",
    Reason.LOST_SOUND: "sound was lost",
    Reason.TOO_FEW: "too few blows: six at least",
}

_FAULTS = {
    Fault.NO_DEVICE: "there is no such input: plug it in, and the run goes on by itself",
    Fault.DEVICE_GONE: "the microphone is gone: plug it in again, and the run goes on by itself",
    Fault.DEVICE_TAKEN: "another program uses the input: close it there, and the run goes on",
    Fault.RATE_CHANGED: "the sampling rate of the input was changed: set it back, and the run "
    "goes on",
    Fault.SLEPT: "the computer was asleep",
    Fault.DISK_FULL: "the disk is full: make room, and the run goes on by itself",
    Fault.FOLDER_GONE: "the folder of the recording is gone: bring its disk back, and the run "
    "goes on",
    Fault.DISK_FAULT: "the disk cannot be written: see that it is there, and the run goes on",
    Fault.PROGRAM: "a fault in the program: the sound is kept, the last blow may have to be "
    "played again",
}

_TOUCHES = {Touch.ANY: "", Touch.SOFT: "soft", Touch.MEDIUM: "medium", Touch.FIRM: "firm"}


def ask_text(ask: Ask | None) -> str:
    """Name what is to be played, such as ``"C4, soft"``."""
    if ask is None:
        return "nothing more"
    touch = _TOUCHES[ask.touch]
    return f"{note_name(ask.midi)}, {touch}" if touch else note_name(ask.midi)


def state_text(state: State) -> str:
    """Say what to do now, in as few words as can be read from 2 m."""
    return _STATES[state]


def reason_text(blow: Blow) -> str:
    """Say whether a blow is good, or why not and what to do."""
    if blow.reason is Reason.WRONG_KEY:
        return f"that was {note_name(blow.midi)}; play {ask_text(blow.ask)}"
    return _REASONS[blow.reason]


def level_text(blow: Blow) -> str:
    """Tell the level of a blow against its neighbours; empty where nothing can be said."""
    if blow.level_step_db is None:
        return ""
    if abs(blow.level_step_db) < 1.0:
        return "as its neighbours"
    word = "above" if blow.level_step_db > 0 else "below"
    return f"{quantity_text(abs(blow.level_step_db), 'dB', decimals=0)} {word} its neighbours"


def blow_text(blow: Blow) -> str:
    """Tell a blow in one line: note, verdict, cents, level; for a repetition its figures."""
    parts = [note_name(blow.midi), reason_text(blow)]
    if blow.repetition is not None:
        figures = blow.repetition
        parts.append(quantity_text(figures.strikes_per_s, "a second", decimals=1))
        parts.append("none missed" if figures.missed == 0 else f"{figures.missed} missed")
        return "  ".join(parts)
    if blow.cents is not None:
        parts.append(quantity_text(blow.cents, "cents", decimals=1))
    if blow.level_db is not None:
        parts.append(quantity_text(blow.level_db, "dB", decimals=1))
    step = level_text(blow)
    if step:
        parts.append(step)
    return "  ".join(parts)


def fault_text(fault: Fault) -> str:
    """Say why the run is interrupted and what to do."""
    return _FAULTS[fault]


def resumed_text(fault: Fault, away_s: float) -> str:
    """Say that the run goes on."""
    seconds = f"{away_s:.0f} s" if away_s < 90 else f"{away_s / 60:.0f} min"
    if fault is Fault.SLEPT:
        return f"the computer was asleep for {seconds}; the run goes on"
    return f"the run goes on after {seconds}"
