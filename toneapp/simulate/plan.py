"""What is played: blows on keys, and sounds that are no notes.

Functions: `chromatic_plan` (a run over the keyboard as the recorder asks for it), `with_mistakes`
(wrong notes, skipped and repeated keys, double blows), `repetition_plan`, `disturbances`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from toneapp.keyboard import Compass

__all__ = [
    "DYNAMICS",
    "Blow",
    "Disturbance",
    "Event",
    "chromatic_plan",
    "clock_ticks",
    "disturbances",
    "repetition_plan",
    "with_mistakes",
]

DYNAMICS = {"soft": 0.9, "medium": 2.0, "firm": 4.0}
"""Hammer speeds in m/s; 1 to 6 m/s spans normal playing (Russell & Rossing 1998)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blow:
    """One blow on one key. `expected_midi` is the key the plan asked for at this moment."""

    midi: int
    onset_s: float
    hold_s: float
    velocity_m_per_s: float
    role: Literal["planned", "wrong", "repeat", "double"] = "planned"
    expected_midi: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """A sound that is no note; its level is that of its RMS relative to a medium blow's."""

    kind: Literal["talk", "knock", "tick", "thump"]
    onset_s: float
    duration_s: float
    level_db: float = -10.0


Event = Blow | Disturbance


def chromatic_plan(
    compass: Compass,
    *,
    rng: np.random.Generator,
    order: Literal["ascending", "descending"] = "ascending",
    dynamics: Sequence[str | float] = ("medium",),
    strikes_per_note: int | None = None,
    rounds: Literal["per_note", "whole"] = "per_note",
    hold_s: float | Callable[[int], float] = 2.0,
    gap_s: float = 0.6,
    start_s: float = 1.0,
    touch_scatter: float = 0.12,
    notes: Iterable[int] | None = None,
) -> list[Blow]:
    """Plan a run over the keyboard.

    Parameters
    ----------
    compass : Compass
        Keys to play.
    rng : numpy.random.Generator
        For the scatter of speed, hold and gap that no hand is without.
    order : {"ascending", "descending"}
        Direction.
    dynamics : sequence of str or float
        Names of `DYNAMICS` or hammer speeds in m/s, one for each strike of a note.
    strikes_per_note : int or None
        Repeat or cut `dynamics` to this many strikes; None takes them as they are.
    rounds : {"per_note", "whole"}
        All strikes of a note together, or one whole run for each.
    hold_s : float or callable
        How long the key is held, in s, or a function from the MIDI number to it.
    gap_s : float
        From the release to the next blow, in s.
    start_s : float
        Silence before the first blow, in s.
    touch_scatter : float
        Standard deviation of the log of the hammer speed (0.12 is about 1 dB).
    notes : iterable of int or None
        Play only these keys.

    Returns
    -------
    list of Blow
        In order of time.
    """
    keys = [midi for midi in compass if notes is None or midi in set(notes)]
    if order == "descending":
        keys.reverse()
    speeds = [DYNAMICS[d] if isinstance(d, str) else float(d) for d in dynamics]
    if strikes_per_note is not None:
        speeds = [speeds[i % len(speeds)] for i in range(strikes_per_note)]
    if rounds == "per_note":
        pairs = [(midi, speed) for midi in keys for speed in speeds]
    else:
        pairs = [(midi, speed) for speed in speeds for midi in keys]
    blows = []
    now = start_s
    for midi, speed in pairs:
        hold = hold_s(midi) if callable(hold_s) else hold_s
        hold *= float(np.exp(rng.normal(0.0, 0.05)))
        blows.append(
            Blow(
                midi=midi,
                onset_s=now,
                hold_s=hold,
                velocity_m_per_s=speed * float(np.exp(rng.normal(0.0, touch_scatter))),
                expected_midi=midi,
            )
        )
        now += hold + gap_s * float(np.exp(rng.normal(0.0, 0.15)))
    return blows


def repetition_plan(
    midi: int,
    *,
    rng: np.random.Generator,
    strikes: int = 20,
    rate_per_s: float = 7.0,
    velocity_m_per_s: float = 1.5,
    missed: Sequence[int] = (),
    start_s: float = 1.0,
    spacing_scatter: float = 0.05,
) -> list[Blow]:
    """Plan one key struck fast; strikes whose index is in `missed` do not speak."""
    blows = []
    now = start_s
    for index in range(strikes):
        step = float(np.exp(rng.normal(0.0, spacing_scatter))) / rate_per_s
        if index not in missed:
            speed = velocity_m_per_s * float(np.exp(rng.normal(0.0, 0.12)))
            blows.append(
                Blow(
                    midi=midi,
                    onset_s=now,
                    hold_s=0.6 * step,
                    velocity_m_per_s=speed,
                    expected_midi=midi,
                )
            )
        now += step
    return blows


def with_mistakes(
    blows: Sequence[Blow],
    *,
    rng: np.random.Generator,
    compass: Compass,
    wrong: int = 0,
    skipped: int = 0,
    repeated: int = 0,
    doubled: int = 0,
) -> tuple[list[Blow], list[int]]:
    """Put mistakes of the hand into a plan.

    Parameters
    ----------
    blows : sequence of Blow
        The plan, in order of time.
    rng : numpy.random.Generator
        Chooses where.
    compass : Compass
        Keys there are.
    wrong, skipped, repeated, doubled : int
        How many keys are missed by one or two, left out, struck once more, or struck twice
        within one hold (the second blow falls in the middle of it).

    Returns
    -------
    list of Blow
        The plan with mistakes, later blows moved as needed.
    list of int
        MIDI numbers that are now played nowhere.
    """
    chosen = rng.permutation(len(blows))[: wrong + skipped + repeated + doubled].tolist()
    wrongs = set(chosen[:wrong])
    skips = set(chosen[wrong : wrong + skipped])
    repeats = set(chosen[wrong + skipped : wrong + skipped + repeated])
    doubles = set(chosen[wrong + skipped + repeated :])
    result: list[Blow] = []
    moved_s = 0.0
    for index, blow in enumerate(blows):
        here = dataclasses.replace(blow, onset_s=blow.onset_s + moved_s)
        following = blows[index + 1].onset_s if index + 1 < len(blows) else None
        length_s = (following - blow.onset_s) if following else blow.hold_s + 0.6
        if index in skips:
            moved_s -= length_s
        elif index in wrongs:
            other = [m for d in (-2, -1, 1, 2) if (m := blow.midi + d) in compass]
            result.append(
                dataclasses.replace(
                    here, midi=int(rng.choice(other)), role="wrong", expected_midi=blow.midi
                )
            )
        elif index in doubles:
            half = 0.5 * blow.hold_s
            result.append(dataclasses.replace(here, hold_s=half))
            result.append(
                dataclasses.replace(here, onset_s=here.onset_s + half, hold_s=half, role="double")
            )
        else:
            result.append(here)
            if index in repeats:
                again = dataclasses.replace(here, onset_s=here.onset_s + length_s, role="repeat")
                result.append(again)
                moved_s += length_s
    played = {blow.midi for blow in result if blow.role != "wrong"}
    return result, sorted({blow.midi for blow in blows} - played)


def disturbances(
    blows: Sequence[Blow],
    *,
    rng: np.random.Generator,
    talk: int = 0,
    knocks: int = 0,
    level_db: float = -8.0,
) -> list[Disturbance]:
    """Draw talk and knocks between and during the blows of a plan."""
    span = (blows[0].onset_s, blows[-1].onset_s + blows[-1].hold_s) if blows else (0.0, 1.0)
    found = [
        Disturbance(
            kind="talk",
            onset_s=float(rng.uniform(*span)),
            duration_s=float(rng.uniform(0.4, 1.5)),
            level_db=level_db + float(rng.normal(0.0, 3.0)),
        )
        for _ in range(talk)
    ]
    found += [
        Disturbance(
            kind="knock",
            onset_s=float(rng.uniform(*span)),
            duration_s=0.15,
            level_db=level_db + float(rng.normal(0.0, 3.0)),
        )
        for _ in range(knocks)
    ]
    return sorted(found, key=lambda d: d.onset_s)


def clock_ticks(
    *, start_s: float, end_s: float, interval_s: float = 1.0, level_db: float = -35.0
) -> list[Disturbance]:
    """Plan a clock that ticks all through."""
    times = np.arange(start_s, end_s, interval_s)
    return [
        Disturbance(kind="tick", onset_s=float(t), duration_s=0.03, level_db=level_db)
        for t in times
    ]
