"""Recording at the piano, hands-free, and nothing lost.

`CaptureEngine` records a run: it leads through a `KeyPlan`, judges every blow, and keeps the sound
in a `RunFolder` as it comes. It takes a source (`DeviceSource`, `FileSource`) and a function that
measures one blow, gives events (`toneapp.audio.capture.events`) and takes commands (`Command`).
When it is closed, `join_parts` makes one file of the parts, which goes into the library; a run
that was left behind by a crash is found by `find_unfinished`.

In the order of the sound: ``sources`` -> ``ring`` -> ``disk_writer`` (``wav_part``,
``run_folder``, ``closing``) and ``conductor`` (``rolling``, ``listening`` with its ``signs``,
``recognition``; ``verdicts`` with ``judging`` and ``series``; ``account`` and ``plan``;
``room_watch`` and ``room_check``). ``engine`` keeps it all going, ``watching`` sees that sound
arrives, ``meter`` and ``monitor`` show the level, ``words`` says it.
"""

from __future__ import annotations

from toneapp.audio.capture.closing import ClosedRun, close_unfinished, join_parts
from toneapp.audio.capture.conductor import Conductor
from toneapp.audio.capture.engine import CaptureEngine
from toneapp.audio.capture.events import (
    Ask,
    Blow,
    BlowJudged,
    BlowRevised,
    Command,
    Event,
    Fault,
    GainMoves,
    Interrupted,
    NoiseHeard,
    Overrun,
    PartClosed,
    Reason,
    Resumed,
    RoomChecked,
    RoomLine,
    RoomReport,
    RoomWord,
    RunKind,
    Snapshot,
    State,
    StateChanged,
    StrikeHeard,
    Touch,
)
from toneapp.audio.capture.judging import BlowSound, Measure
from toneapp.audio.capture.monitor import InputMonitor, InputReading
from toneapp.audio.capture.plan import THREE_TOUCHES, AskState, KeyPlan, RunPlan, usual_hold_s
from toneapp.audio.capture.room_check import check_room, level_lines
from toneapp.audio.capture.run_folder import (
    RunFolder,
    UnfinishedRun,
    find_unfinished,
)
from toneapp.audio.capture.sources import DeviceSource, FileSource, InputRefused, SoundSource
from toneapp.audio.capture.verdicts import Instrument
from toneapp.audio.capture.warming import warm_up
from toneapp.audio.capture.watching import Watch
from toneapp.audio.capture.wav_part import repair_part
from toneapp.audio.capture.words import (
    ask_text,
    blow_text,
    fault_text,
    level_text,
    reason_text,
    resumed_text,
    state_text,
)

__all__ = [
    # recording
    "CaptureEngine",
    "ClosedRun",
    "Conductor",
    "DeviceSource",
    "FileSource",
    "InputMonitor",
    "InputReading",
    "InputRefused",
    "Instrument",
    "SoundSource",
    "Watch",
    "warm_up",
    # what is played
    "THREE_TOUCHES",
    "Ask",
    "AskState",
    "KeyPlan",
    "RunKind",
    "RunPlan",
    "Touch",
    "usual_hold_s",
    # what is said
    "Blow",
    "BlowJudged",
    "BlowRevised",
    "Command",
    "Event",
    "Fault",
    "GainMoves",
    "Interrupted",
    "NoiseHeard",
    "Overrun",
    "PartClosed",
    "Reason",
    "Resumed",
    "RoomChecked",
    "RoomLine",
    "RoomReport",
    "RoomWord",
    "Snapshot",
    "State",
    "StateChanged",
    "StrikeHeard",
    "ask_text",
    "blow_text",
    "fault_text",
    "level_text",
    "reason_text",
    "resumed_text",
    "state_text",
    # measuring
    "BlowSound",
    "Measure",
    "check_room",
    "level_lines",
    # keeping
    "RunFolder",
    "UnfinishedRun",
    "close_unfinished",
    "find_unfinished",
    "join_parts",
    "repair_part",
]
