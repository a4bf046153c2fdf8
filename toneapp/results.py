"""What an analysed run holds: frozen results for strikes, notes and the whole run.

Every other part of the program reads these; only `toneapp.analysis` makes them. A quantity that
could not be measured is ``None``, and the reason stands in `flags` of the same object. Field names
are the keys of the JSON form (see `toneapp.interchange`); a field with the ending ``_se`` is the
standard error of the field without it, in the same unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

__all__ = [
    "MEASURES_VERSION",
    "RUN_FORMAT",
    "Cause",
    "EchoCandidate",
    "EchoString",
    "EchoSummary",
    "Evenness",
    "Flag",
    "NoteResult",
    "PartialResult",
    "Raised",
    "RingOn",
    "RunResult",
    "StrikeResult",
    "SuspectDamper",
    "UnexpectedSound",
]

RUN_FORMAT = "toneapp-run/1"
MEASURES_VERSION = 6
"""Raised whenever a change moves a measured number; stored with every result."""


class Flag(StrEnum):
    """Why a value is missing or doubtful."""

    CLIPPED = "clipped"  # samples at full scale near the attack
    QUIET = "quiet"  # the strike stands less than 20 dB above the noise
    UNEXPECTED = "unexpected"  # fits no expected note of the run's order
    DOUBLE_BLOW = "double_blow"  # a second blow on the same key before it was let go
    LABEL_GIVEN = "label_given"  # the note was named by the user
    BOUNDS_GIVEN = "bounds_given"  # onset or release was set by the user
    NOTE_UNCERTAIN = "note_uncertain"  # the pitch evidence does not single out one note
    NO_PITCH = "no_pitch"  # no series of partials could be fitted
    FEW_PARTIALS = "few_partials"  # too few partials for an inharmonicity of its own
    F1_INFERRED = "f1_inferred"  # first partial not heard; f1 follows from the series
    SERIES_RESIDUAL = "series_residual"  # partials scatter about the law by more than 2 cents
    NO_RELEASE = "no_release"  # no damper action seen
    RELEASE_ASSUMED = (
        "release_assumed"  # damper not seen at work; taken where neighbours were let go
    )
    CUT_SHORT = "cut_short"  # next strike or the end of the file comes before the note has died
    HOLD_TOO_SHORT = "hold_too_short"  # the held part is too short for the decay or its stage
    SINGLE_STAGE = "single_stage"  # one decay stage describes the sound; no aftersound apart
    NOISE_HIDES_DECAY = "noise_hides_decay"  # the noise floor is reached too early
    NOISE_HIDES_KNOCK = "noise_hides_knock"  # room noise as strong as the attack noise
    NOISE_HIDES_RING = "noise_hides_ring"  # the after-release level is an upper limit
    ROOM_HIDES_DAMPING = "room_hides_damping"  # room or other strings hide what the damper does
    RATE_LIMITS_BAND = "rate_limits_band"  # sampling rate too low for the measure
    BEATS_UNRESOLVED = "beats_unresolved"  # the hold is too short to see a beat
    TOO_FEW_STRIKES = "too_few_strikes"  # a spread needs more strikes
    FEWER_BLOWS = "fewer_blows"  # a note with fewer blows than most of the run
    TOO_FEW_NOTES = "too_few_notes"  # a trend over the keyboard needs more notes
    DEFAULT_BLOW_SLOPE = "default_blow_slope"  # brightness per dB not learned from this run
    NO_ATTACK_WINDOW = "no_attack_window"  # the strike is too short for the attack window


class Raised(StrEnum):
    """In what way a note leaves the instrument's own trend."""

    BRIGHT = "bright"
    DULL = "dull"
    LOUD = "loud"
    SOFT = "soft"
    SHORT = "short"  # decays faster than its neighbours
    LONG = "long"


class Cause(StrEnum):
    """Why a string sounds after the release."""

    OWN_DAMPER = "own_damper"  # the struck note's own damper leaks
    OTHER_DAMPER = "other_damper"  # another damped string's damper leaks
    UNDAMPED = "undamped"  # a string without a damper answers in sympathy
    NO_KEY = "no_key"  # fits no string of a key (a length behind the bridge, the case)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartialResult:
    """One measured partial of one strike."""

    n: int  # partial number, from 1
    hz: float  # as measured
    level_db: float  # early level relative to full scale (dBFS)
    hz_se: float | None = None
    cents_from_fit: float | None = None  # measured minus fitted series
    prompt_t60_s: float | None = None
    after_t60_s: float | None = None
    beat_hz: float | None = None
    beat_depth_db: float | None = None  # peak to trough


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoCandidate:
    """Another string that could be the one that rings."""

    midi: int
    partial: int
    cents_off: float  # ringing frequency minus that string's partial


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoString:
    """A string heard after the release of a struck note."""

    midi: int | None  # None when it fits no string of a key
    partial: int | None
    hz: float
    level_db: float  # relative to the struck note's own peak level
    cause: Cause
    t60_s: float | None = None
    hz_se: float | None = None
    cents_off: float | None = None  # ringing frequency minus the string's partial
    alternatives: tuple[EchoCandidate, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeResult:
    """Everything measured on one blow on one key."""

    midi: int
    note: str
    onset_s: float
    end_s: float  # where the measured stretch ends
    release_s: float | None = None
    source: str = ""  # file name, when the run is a folder of single notes
    f0_hz: float | None = None
    f0_hz_se: float | None = None
    f1_hz: float | None = None  # of the fitted series
    f1_hz_se: float | None = None
    B: float | None = None
    B_se: float | None = None
    cents: float | None = None
    cents_se: float | None = None
    series_residual_cents: float | None = None  # robust scatter of partials about the fit
    partials: tuple[PartialResult, ...] = ()
    prompt_t60_s: float | None = None
    prompt_t60_s_se: float | None = None
    after_t60_s: float | None = None
    after_t60_s_se: float | None = None
    knee_s: float | None = None
    aftersound_level_db: float | None = None  # relative to the prompt sound at the onset
    schroeder_t20_s: float | None = None
    sustain_20db_s: float | None = None
    beat_hz: float | None = None
    beat_depth_db: float | None = None
    unison_spread_cents: float | None = None
    damped_t60_s: float | None = None
    damped_t60_s_se: float | None = None
    ring_level_db: float | None = None  # 0.5 s after the release, re just before it
    ring_levels_db: tuple[float | None, float | None, float | None] = (None, None, None)
    ring_level_is_limit: bool = False  # the noise hides it: the level is below `ring_level_db`
    ringing: tuple[EchoString, ...] = ()
    level_db: float | None = None  # A-weighted, first 0.5 s, dBFS (dB SPL when calibrated)
    peak_dbfs: float | None = None
    loudness_lkfs: float | None = None  # BS.1770 momentary maximum
    loudness_sone: float | None = None  # ISO 532-1, only with a calibration
    brightness: float | None = None  # octaves of the centroid above f1
    brightness_se: float | None = None
    centroid_hz: float | None = None
    sharpness_acum: float | None = None
    slope_db_per_oct: float | None = None
    attack_db: tuple[float | None, ...] = ()  # partials 1, 2 ... in the first 0.2 s, dBFS
    place_db: float | None = None  # what room and microphone add to the level of this key
    place_db_se: float | None = None
    place_oct: float | None = None  # and to its brightness; lone strong partials count in
    place_oct_se: float | None = None
    knock_db: float | None = None
    noise_dbfs: float | None = None  # room noise before the strike, A-weighted
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteResult:
    """One key of the run, over all its strikes."""

    midi: int
    note: str
    strikes: int
    f1_hz: float | None = None
    cents: float | None = None
    cents_se: float | None = None
    cents_residual: float | None = None  # from the instrument's own smooth stretch
    B: float | None = None
    B_se: float | None = None
    prompt_t60_s: float | None = None
    prompt_t60_residual: float | None = None  # natural log of the ratio to the trend
    prompt_t60_se: float | None = None  # of that log ratio
    after_t60_s: float | None = None
    sustain_20db_s: float | None = None
    damped_t60_s: float | None = None
    damped_t60_s_se: float | None = None
    ring_level_db: float | None = None
    level_db: float | None = None
    level_trend_db: float | None = None
    level_residual_db: float | None = None
    level_se: float | None = None  # dB
    level_place_db: float | None = None  # taken off: what room and microphone add to this key
    level_place_se: float | None = None
    brightness: float | None = None  # at the reference level
    brightness_trend: float | None = None
    brightness_residual: float | None = None
    brightness_se: float | None = None
    brightness_place_oct: float | None = None  # taken off: what room and microphone add
    brightness_place_se: float | None = None
    brightness_slope_oct_per_db: float | None = None
    brightness_slope_se: float | None = None
    knock_db: float | None = None
    raised: tuple[Raised, ...] = ()
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Evenness:
    """How far the notes leave the instrument's own trend, touch scatter removed.

    Robust standard deviations of the residuals; the ``_se`` come from a bootstrap over notes.
    """

    level_db: float | None = None
    level_db_se: float | None = None
    brightness_oct: float | None = None
    brightness_oct_se: float | None = None
    tuning_cents: float | None = None
    tuning_cents_se: float | None = None
    touch_scatter_db: float | None = None  # spread of level between blows on the same note
    touch_scatter_oct: float | None = None  # the same for brightness
    blow_slope_oct_per_db: tuple[tuple[int, float], ...] = ()  # (midi, slope) as used
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoSummary:
    """One string over the whole run: how often, how loud and from which keys it is heard."""

    midi: int
    note: str
    cause: Cause  # UNDAMPED or OTHER_DAMPER
    from_keys: tuple[int, ...]  # struck keys after whose release it rings, upward
    level_db: float  # energy mean over those strikes, re the struck note's peak
    loudest_db: float
    t60_s: float  # median


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectDamper:
    """A damper that seems to leak, most suspect first in the list."""

    midi: int
    note: str
    suspicion: float  # log2 of the damped T60 over the usual one, plus what it rings for others
    damped_t60_s: float | None
    usual_t60_s: float  # of the dampers around it
    ring_level_db: float | None  # 0.3 s after the release, re just before it
    heard_from: tuple[int, ...]  # other struck keys after which its strings ring


@dataclass(frozen=True, slots=True, kw_only=True)
class RingOn:
    """Damping and sympathetic ringing of the whole run."""

    last_damper_midi: int
    last_damper_is_given: bool  # else read from the run, or the usual one
    room_t60_s: float | None
    suspects: tuple[SuspectDamper, ...] = ()
    echo_strings: tuple[EchoSummary, ...] = ()
    treble_echo_db: float | None = None  # energy mean over damped strikes of what free strings add
    treble_echo_db_se: float | None = None
    strikes_heard: int = 0  # strikes with a release and enough sound after it
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnexpectedSound:
    """A sound that fits no expected note: a wrong key (with `midi`) or no note at all."""

    onset_s: float
    midi: int | None = None
    kind: str = "note"  # "note" or "noise"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """One analysed run."""

    sample_rate_hz: int
    duration_s: float
    a4_reference_hz: float
    a4_measured_hz: float | None = None
    strikes: tuple[StrikeResult, ...] = ()
    notes: tuple[NoteResult, ...] = ()
    evenness: Evenness = field(default_factory=Evenness)
    ring_on: RingOn | None = None
    missing: tuple[int, ...] = ()
    unexpected: tuple[UnexpectedSound, ...] = ()
    problems: tuple[str, ...] = ()
    order: str = "free"  # ascending, descending or free, as read from the run
    compass: str = "A0-C8"
    channels: int = 1
    channel_use: str = "mono"  # mono, left, right, or "channel 3"
    room_t60_s: float | None = None
    noise_dbfs: float | None = None  # A-weighted room noise of the quietest tenth
    calibration_db: float | None = None  # dB SPL of full scale, when known
    source: str = ""  # file name, without its folder
    measures_version: int = MEASURES_VERSION
    format: str = RUN_FORMAT
