"""What does the library hand out?

Frozen rows. `id` is the number of a thing within its library (also what a person types), `uid` is
unique over all libraries, and `version` tells whether the thing was changed since it was read:
hand the row back to change it. Times are ISO 8601 texts in UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from toneapp.keyboard import FULL_COMPASS, Compass, KeyboardLayout
from toneapp.pitch import A4_HZ

__all__ = [
    "Act",
    "BinItem",
    "EditAction",
    "HandSet",
    "Instrument",
    "InstrumentKind",
    "ItemState",
    "KeyMeasurement",
    "Purpose",
    "Recording",
    "Run",
    "RunFigures",
    "SearchHit",
    "StrikeEdit",
    "StrikeLabel",
    "StringCount",
    "Take",
    "WorksheetItem",
]


class InstrumentKind(StrEnum):
    """How an instrument is built."""

    UPRIGHT = "upright"
    GRAND = "grand"
    OTHER = "other"


class Purpose(StrEnum):
    """What a run is recorded for."""

    EVENNESS = "evenness"  # held notes
    RING_ON = "ring-on"  # short blows
    REPETITION = "repetition"  # one key as fast as it will go


class ItemState(StrEnum):
    """Where an item of the worksheet stands."""

    OPEN = "open"
    DONE = "done"


class EditAction(StrEnum):
    """What a person has said about a strike."""

    RELABEL = "relabel"  # another key was struck
    DISCARD = "discard"  # not to be counted


@dataclass(frozen=True, slots=True, kw_only=True)
class StringCount:
    """Strings per note from a note upward."""

    from_midi: int
    strings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One piano. Made by a person with `id` 0 to be added; all texts may be empty but the name."""

    name: str
    kind: InstrumentKind = InstrumentKind.UPRIGHT
    maker: str = ""
    model: str = ""
    serial: str = ""
    year: str = ""
    owner: str = ""
    place: str = ""
    notes: str = ""
    compass: Compass = FULL_COMPASS
    first_plain_midi: int | None = None
    last_damper_midi: int | None = None
    bass_bridge_top_midi: int | None = None
    strings: tuple[StringCount, ...] = ()  # upward
    a4_hz: float = A4_HZ
    id: int = 0
    uid: str = ""
    created_at: str = ""
    changed_at: str = ""
    deleted_at: str | None = None
    version: int = 0

    def layout(self) -> KeyboardLayout:
        """Compass and breaks, as the measures take them."""
        return KeyboardLayout(
            compass=self.compass,
            first_plain_midi=self.first_plain_midi,
            last_damper_midi=self.last_damper_midi,
            bass_bridge_top_midi=self.bass_bridge_top_midi,
        )

    def strings_of(self, midi: int) -> int | None:
        """Return how many strings a note has; None when that is not known."""
        known = [count.strings for count in self.strings if count.from_midi <= midi]
        return known[-1] if known and midi in self.compass else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Strikes recorded in one sitting under one condition."""

    instrument_id: int
    condition: str = ""  # such as "before refacing"
    purpose: Purpose = Purpose.EVENNESS
    recorded_at: str = ""  # when empty, the time of adding
    place: str = ""
    microphone: str = ""
    distance_m: float | None = None
    gain_note: str = ""  # how the input was set
    calibration_db: float | None = None  # dB SPL of full scale of the file that came in
    channel: str = "auto"
    note_order: str | None = None  # ascending, descending, free; None: read from the run
    notes: str = ""
    id: int = 0
    uid: str = ""
    created_at: str = ""
    changed_at: str = ""
    deleted_at: str | None = None
    version: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One lossless file of a take."""

    id: int
    take_id: int
    position: int
    name: str  # of the file that came in
    sha256: str  # of the FLAC file, and its name
    bytes: int
    frames: int
    sample_rate_hz: int
    channels: int
    scale: float  # samples that came in = samples in the file times this
    origin: str  # format that came in
    problems: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """What was recorded at one go: the run itself, or some notes of it again."""

    id: int
    uid: str
    run_id: int
    number: int  # 1 is the run itself
    kind: str  # "run" or "notes"
    replaces: bool  # its notes stand in for those of earlier takes
    note: str
    recorded_at: str
    deleted_at: str | None
    version: int
    recordings: tuple[Recording, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFigures:
    """Figures of the last measurement of a run, without the measurement itself."""

    measures_version: int
    made_at: str
    strikes: int
    notes: int
    raised: int
    level_evenness_db: float | None
    brightness_evenness_oct: float | None
    is_current: bool  # measured with the present settings, labels and measures


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeLabel:
    """At this time this key was struck, or no key at all."""

    onset_s: float
    midi: int | None
    exact_onset_s: float | None = None  # where it begins, in place of what is heard
    release_s: float | None = None  # where the damper acts, in place of what is heard


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeEdit:
    """What a person has said about one strike of a take."""

    id: int
    take_id: int
    part: str  # file of the strike when the take has several, else empty
    onset_s: float  # as it was heard when something was first said about it
    action: EditAction
    midi: int | None
    note: str
    made_at: str
    version: int
    exact_onset_s: float | None = None  # as set by hand
    release_s: float | None = None

    def label(self) -> StrikeLabel:
        """Return what it says to the measuring."""
        return StrikeLabel(
            onset_s=self.onset_s,
            midi=self.midi,
            exact_onset_s=self.exact_onset_s,
            release_s=self.release_s,
        )

    def distance_s(self, onset_s: float) -> float:
        """How far a moment is from the strike meant: where it was heard, or where it begins."""
        places = [self.onset_s]
        if self.exact_onset_s is not None:
            places.append(self.exact_onset_s)
        return min(abs(place - onset_s) for place in places)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorksheetItem:
    """One line of an instrument's assessment worksheet."""

    instrument_id: int
    area: str
    finding: str = ""
    action: str = ""
    state: ItemState = ItemState.OPEN
    minutes: int | None = None
    note: str = ""
    midi: int | None = None  # the key, when the item belongs to one
    raised_run_uid: str = ""  # the run that raised it
    raised_as: str = ""
    position: int = 0
    id: int = 0
    uid: str = ""
    created_at: str = ""
    done_at: str | None = None
    deleted_at: str | None = None
    version: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyMeasurement:
    """What was weighed and measured by hand at one key."""

    midi: int
    down_weight_g: float | None = None
    up_weight_g: float | None = None
    key_dip_mm: float | None = None

    @property
    def friction_g(self) -> float | None:
        """Half the difference of down and up weight, in grams."""
        if self.down_weight_g is None or self.up_weight_g is None:
            return None
        return (self.down_weight_g - self.up_weight_g) / 2.0

    @property
    def balance_weight_g(self) -> float | None:
        """Mean of down and up weight, in grams."""
        if self.down_weight_g is None or self.up_weight_g is None:
            return None
        return (self.down_weight_g + self.up_weight_g) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HandSet:
    """One sitting of measuring keys by hand."""

    id: int
    uid: str
    instrument_id: int
    title: str
    measured_at: str
    note: str
    deleted_at: str | None
    version: int
    keys: tuple[KeyMeasurement, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchHit:
    """An instrument or a run that a search has found."""

    kind: str  # "instrument" or "run"
    id: int
    title: str
    instrument_id: int
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BinItem:
    """Something that lies in the bin."""

    kind: str  # "instrument", "run", "take", "item" or "weights"
    id: int
    title: str
    deleted_at: str
    bytes: int  # of audio that goes when the bin is emptied


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """Something a person did, as it stands in the history."""

    id: int
    label: str
    made_at: str
    undone_at: str | None
    can_undo: bool
    can_redo: bool
