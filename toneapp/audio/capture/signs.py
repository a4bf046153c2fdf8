"""What does the listener say, and what is it asked for?

All times in s of the run.

Classes: `Wish`, `ActiveBlow`, and the signs `BlowStarted`, `BlowNamed`, `LetGo`, `NotANote` and
`BlowEnded`, each of which is a `Sign`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from toneapp.audio.capture.recognition import Heard

__all__ = [
    "ActiveBlow",
    "BlowEnded",
    "BlowNamed",
    "BlowStarted",
    "LetGo",
    "NotANote",
    "Sign",
    "Wish",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is wanted of the next blow."""

    expected: tuple[int, ...] = ()  # keys that may well come, the one asked for first
    hold_s: float = 2.0
    tail_s: float = 0.3  # to listen after the release
    has_damper: bool | None = None
    only_onsets: bool = False  # a repetition: nothing but onsets, until it is quiet for a moment
    rest_s: float = 1.2


@dataclass(slots=True, kw_only=True)
class ActiveBlow:
    """A blow that is being followed; all times in s."""

    onset_s: float
    rise_db: float
    heard: Heard | None = None  # None until the evidence is complete
    release_s: float | None = None
    second_onsets_s: list[float] = field(default_factory=list)
    noises_s: list[float] = field(default_factory=list)
    onsets_s: list[float] = field(default_factory=list)  # of a repetition


@dataclass(frozen=True, slots=True, kw_only=True)
class BlowStarted:
    """Something was struck."""

    onset_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BlowNamed:
    """It was this key."""

    onset_s: float
    heard: Heard


@dataclass(frozen=True, slots=True, kw_only=True)
class LetGo:
    """The key was let go."""

    release_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NotANote:
    """A sound that is no blow."""

    onset_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BlowEnded:
    """A blow is over and can be measured."""

    blow: ActiveBlow
    end_s: float
    is_cut: bool  # by the next blow


Sign = BlowStarted | BlowNamed | LetGo | NotANote | BlowEnded
