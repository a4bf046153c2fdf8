"""How is a recording led through in a terminal: a line for each blow, a status line, single keys?

Functions: `lead`. Data: `KEYS_LINE`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from toneapp.pitch import note_name

if TYPE_CHECKING:
    from toneapp.audio.capture import CaptureEngine, Event
    from toneapp.cli.single_keys import SingleKeys

__all__ = ["KEYS_LINE", "lead"]

POLL_S = 0.05
KEYS_LINE = "n next  s skip  b back  a again  k keep  space pause  q finish"


def lead(
    engine: CaptureEngine,
    keys: SingleKeys,
    show: Callable[[str], None],
    say_line: Callable[[str], None],
) -> None:
    """Show what happens and carry out keys, until it is over."""
    from toneapp.audio.capture import Command, State, ask_text, state_text

    commands = {
        "n": Command.NEXT,
        "s": Command.SKIP,
        "b": Command.BACK,
        "a": Command.AGAIN,
        "k": Command.KEEP,
    }
    while True:
        is_over = engine.has_ended
        for event in engine.poll():
            line = _event_line(event)
            if line:
                show("")
                say_line(line)
        seen = engine.snapshot()
        if is_over or seen.state is State.DONE:
            return
        key = keys.pressed()
        if key == "q":
            return
        if key == " ":
            engine.do(Command.GO_ON if seen.state is State.PAUSED else Command.PAUSE)
        elif key in commands:
            engine.do(commands[key])
        level = "" if seen.level_dbfs is None else f"{seen.level_dbfs:4.0f} dB"
        held = "" if seen.held_s is None else f"{seen.held_s:4.1f} s"
        show(
            f"{seen.good}/{seen.wanted}  {ask_text(seen.ask)}: {state_text(seen.state)}  "
            f"{held}  {level}"
        )
        time.sleep(POLL_S)


def _event_line(event: Event) -> str:
    """One line for what a person should know; empty for the rest."""
    from toneapp.audio.capture import (
        BlowJudged,
        BlowRevised,
        GainMoves,
        Interrupted,
        Overrun,
        Resumed,
        RoomChecked,
        blow_text,
    )

    match event:
        case BlowJudged():
            return blow_text(event.blow)
        case BlowRevised():
            name = note_name(event.blow.midi)
            return f"{name}  counts" if event.blow.is_counted else f"{name}  no longer counts"
        case RoomChecked():
            return "Room and input: " + "; ".join(line.text for line in event.report.lines)
        case GainMoves() | Interrupted() | Resumed():
            return event.text[:1].upper() + event.text[1:]
        case Overrun():
            return f"The computer was too slow at {event.at_s:.1f} s; the blow is asked for again"
        case _:
            return ""
