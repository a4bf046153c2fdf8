"""What does a recording in progress tell the window and the terminal?

Everything here is frozen and knows nothing of threads or widgets. Times in seconds are counted
from the first sample of the run as it lies on the disk, gaps left out.

Enums: `State`, `RunKind`, `Touch`, `Reason`, `Fault`, `Command`. Data: `Ask`, `Blow`, `Snapshot`
and the events, all of which are an `Event`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from toneapp.measure.repetition import KeyRepetition
from toneapp.results import StrikeResult

__all__ = [
    "Ask",
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
    "RunKind",
    "Snapshot",
    "State",
    "StateChanged",
    "StrikeHeard",
    "Touch",
]


class State(StrEnum):
    """What the recorder is doing; each is one thing to show and to do."""

    CHECKING = "checking"  # listens to the room: nobody plays
    WAITING = "waiting"  # for a blow on the key asked for
    HELD = "held"  # a blow was heard: hold the key
    ENOUGH = "enough"  # held long enough: let go
    RELEASED = "released"  # let go: quiet for a moment
    PAUSED = "paused"  # by the user
    INTERRUPTED = "interrupted"  # input or disk cannot be used; goes on by itself
    DONE = "done"  # every key of the plan is there
    STOPPED = "stopped"  # closed


class RunKind(StrEnum):
    """What the run is for."""

    EVENNESS = "evenness"  # held notes
    RING_ON = "ring-on"  # short blows, and silence after them
    REPETITION = "repetition"  # one key as fast as it goes


class Touch(StrEnum):
    """How the key is to be struck."""

    ANY = "any"
    SOFT = "soft"
    MEDIUM = "medium"
    FIRM = "firm"


class Reason(StrEnum):
    """What is said about a blow."""

    GOOD = "good"
    WRONG_KEY = "wrong_key"
    CLIPPED = "clipped"
    TOO_SOFT = "too_soft"
    TOO_SHORT = "too_short"  # not held long enough
    NEXT_TOO_SOON = "next_too_soon"  # the next blow fell into the ringing after the release
    NOISE = "noise"  # talk or a knock while the note was sounding
    DOUBLE_BLOW = "double_blow"
    NO_PITCH = "no_pitch"  # no series of partials could be fitted
    LOST_SOUND = "lost_sound"  # the computer was too slow, or the input was interrupted
    TOO_FEW = "too_few"  # blows of a repetition


class Fault(StrEnum):
    """Why the run is interrupted."""

    NO_DEVICE = "no_device"
    DEVICE_GONE = "device_gone"
    DEVICE_TAKEN = "device_taken"
    RATE_CHANGED = "rate_changed"
    SLEPT = "slept"
    DISK_FULL = "disk_full"
    FOLDER_GONE = "folder_gone"
    DISK_FAULT = "disk_fault"
    PROGRAM = "program"  # a fault of the program itself; the sound goes on being kept


class Command(StrEnum):
    """What the user can ask for, each with a single key or a foot switch."""

    NEXT = "next"  # the next key; this one is asked for again at the end of the round
    SKIP = "skip"  # leave this key out of the run
    BACK = "back"  # ask for the key before
    AGAIN = "again"  # the last blow does not count; ask for its key again
    KEEP = "keep"  # the last blow counts as the key that was asked for
    PAUSE = "pause"
    GO_ON = "go_on"
    CHECK_ROOM = "check_room"
    STOP = "stop"


class RoomWord(StrEnum):
    """What is found about the room and the input."""

    QUIET_ENOUGH = "quiet_enough"
    NOISY = "noisy"
    HUM = "hum"
    NO_SOUND = "no_sound"  # digital silence: the input is muted or suppressed
    NARROW_BAND = "narrow_band"  # nothing above some kHz: a telephone connection
    CLIPS = "clips"
    LOUD = "loud"
    WEAK = "weak"
    LEVEL_GOOD = "level_good"
    GAIN_MOVES = "gain_moves"  # automatic gain or noise suppression suspected


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomLine:
    """One finding about the room or the input, as it is shown."""

    word: RoomWord
    is_good: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomReport:
    """Room noise and input level."""

    noise_dbfs: float | None  # A-weighted; None for digital silence
    hum_hz: float | None = None  # lowest line of the mains that stands out
    hum_db: float | None = None  # above the noise around it
    peak_dbfs: float | None = None  # of the loudest blow so far
    turn_db: float | None = None  # change of the input level that is advised
    lines: tuple[RoomLine, ...] = ()

    @property
    def is_good(self) -> bool:
        """Nothing speaks against recording."""
        return all(line.is_good for line in self.lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One blow that the plan asks for."""

    index: int  # in the plan
    midi: int
    touch: Touch = Touch.ANY
    hold_s: float = 0.0  # how long the key is to be held


@dataclass(frozen=True, slots=True, kw_only=True)
class Blow:
    """One blow and what is said about it."""

    number: int  # from 1, in the order of the run
    ask: Ask  # what was asked for
    midi: int  # the key that was heard
    reasons: tuple[Reason, ...]  # the first is the one to say
    onset_s: float
    end_s: float
    release_s: float | None
    hold_s: float | None  # None when no release was seen
    cents: float | None = None  # from equal temperament at the A4 of the run
    level_db: float | None = None
    level_step_db: float | None = None  # against the neighbours struck with the same touch
    touch_step_db: float | None = None  # against the softer blow on the same key
    disturbed_at_s: tuple[float, ...] = ()  # noises and second blows that fell into it
    is_cut: bool = False  # by the next blow
    is_counted: bool = False
    filled: int | None = None  # index of the ask that it answers
    result: StrikeResult | None = None
    repetition: KeyRepetition | None = None

    @property
    def reason(self) -> Reason:
        """What to say about it."""
        return self.reasons[0] if self.reasons else Reason.GOOD

    @property
    def is_good(self) -> bool:
        """Nothing speaks against it."""
        return self.reason is Reason.GOOD


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChanged:
    """The recorder does something else now."""

    at_s: float
    state: State
    ask: Ask | None  # the blow that is asked for; None when the plan is done
    open_keys: tuple[int, ...] = ()  # keys that were passed and are asked for again later


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeHeard:
    """A blow has begun; which key it was is not known yet."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseHeard:
    """A sound that is no blow: talk, a knock."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BlowJudged:
    """A blow was measured and judged."""

    blow: Blow
    # From the end of its capture. None when not in real time, or when the next blow cut it off:
    # that it was a blow is known only when its own evidence is complete.
    latency_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlowRevised:
    """The user, or what was played next, changed what a blow counts for."""

    blow: Blow


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomChecked:
    """The room was listened to, or a louder blow changed what is said about the level."""

    report: RoomReport


@dataclass(frozen=True, slots=True, kw_only=True)
class GainMoves:
    """The input's gain is changed by the computer or the microphone, it seems."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overrun:
    """Sound was lost because the computer was too slow."""

    at_s: float
    frames: int | None  # None when the system did not say how much


@dataclass(frozen=True, slots=True, kw_only=True)
class Interrupted:
    """The run cannot go on for now; what was captured is kept."""

    fault: Fault
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed:
    """The run goes on."""

    fault: Fault
    text: str
    away_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartClosed:
    """A part of the recording is complete on the disk."""

    path: Path
    frames: int


Event = (
    StateChanged
    | StrikeHeard
    | NoiseHeard
    | BlowJudged
    | BlowRevised
    | RoomChecked
    | GainMoves
    | Overrun
    | Interrupted
    | Resumed
    | PartClosed
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """All that a live view paints, at one moment."""

    state: State
    ask: Ask | None
    at_s: float  # recorded so far
    level_dbfs: float | None  # peak of the last tenth of a second; None for digital silence
    highest_dbfs: float | None  # peak of the last three seconds
    has_clipped: bool  # within the last three seconds
    held_s: float | None  # how long the present blow has been held
    good: int  # blows that count
    wanted: int  # blows that the plan asks for, those left out not counted
    overruns: int
    lost_frames: int
    may_sound: bool  # a signal would disturb nothing now
    fault: Fault | None = None
    fault_text: str = ""
