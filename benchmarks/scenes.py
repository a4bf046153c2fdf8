"""How is a run of a simulated piano played, analysed and paired with its truth?

`Scene` says what is played, `play` does it; `Played.pairs` holds every true strike beside what was
found of it. Scenes are independent of each other, so that `play_all` can share them among
processes.
"""

from __future__ import annotations

import dataclasses
import multiprocessing
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from toneapp.analysis import analyse
from toneapp.audio import write_sound
from toneapp.keyboard import KeyboardLayout
from toneapp.results import RunResult, StrikeResult
from toneapp.simulate import (
    Faults,
    PianoSpec,
    Room,
    RunTruth,
    StrikeTruth,
    chromatic_plan,
    disturbances,
    make_piano,
    random_faults,
    render,
    with_mistakes,
)

__all__ = ["Played", "Scene", "play", "play_all"]

SAME_STRIKE_S = 0.08
"""A found strike farther from a true one than this is another."""

Kind = Literal["upright", "grand"]
Strings = Literal["ordinary", "lawful", "single"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One run of one random instrument."""

    draw: int  # which instrument
    take: int = 0  # which run of it
    kind: Kind = "grand"
    # lawful: partials exactly on the series; single: one string a note as well
    strings: Strings = "ordinary"
    room: Room = field(default_factory=Room)
    dynamics: tuple[str, ...] = ("medium",)
    hold_s: tuple[float, ...] = (2.0,)  # one for all, or at A0, A2, C4, C6, C8
    gap_s: float = 0.6  # from a release to the next blow
    step: int = 1  # every how many keys
    mistakes: int = 0  # of each sort
    disturbances: int = 0  # of each sort
    has_faults: bool = False
    is_even: bool = False  # hammers and levels without scatter
    order: Literal["ascending", "descending"] = "ascending"
    layout_known: bool = True  # the breaks of the instrument are given to the analysis


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Played:
    """A scene, its truth, and what was measured."""

    scene: Scene
    piano: PianoSpec
    faults: Faults
    truth: RunTruth
    result: RunResult
    skipped: tuple[int, ...]  # keys left out by mistake
    pairs: tuple[tuple[StrikeTruth, StrikeResult | None], ...]
    extra: tuple[StrikeResult, ...]  # strikes where there was none
    analysis_s: float

    @property
    def matched(self) -> list[tuple[StrikeTruth, StrikeResult]]:
        """Strikes that were found and rightly named."""
        return [(t, r) for t, r in self.pairs if r is not None and r.midi == t.midi]


def play(scene: Scene) -> Played:
    """Draw the instrument, play, record to a file, and analyse that file."""
    rng = np.random.default_rng([scene.draw, scene.kind == "grand"])
    faults = random_faults(rng) if scene.has_faults else Faults()
    even = {"hardness_scatter_oct": 0.0, "level_scatter_db": 0.0} if scene.is_even else {}
    piano = _with_strings(make_piano(rng, kind=scene.kind, faults=faults, **even), scene.strings)
    hand = np.random.default_rng([scene.draw, scene.kind == "grand", 1 + scene.take])
    keys = list(piano.compass)[scene.draw % scene.step :: scene.step]
    places = [21, 45, 60, 84, 108]
    blows = chromatic_plan(
        piano.compass,
        rng=hand,
        dynamics=scene.dynamics,
        order=scene.order,
        notes=keys,
        gap_s=scene.gap_s,
        hold_s=(
            scene.hold_s[0]
            if len(scene.hold_s) == 1
            else lambda midi: float(np.interp(midi, places, scene.hold_s))
        ),
    )
    skipped: list[int] = []
    if scene.mistakes:
        blows, skipped = with_mistakes(
            blows,
            rng=hand,
            compass=piano.compass,
            wrong=scene.mistakes,
            skipped=scene.mistakes,
            repeated=scene.mistakes,
            doubled=scene.mistakes,
        )
    noises = disturbances(
        blows, rng=hand, talk=scene.disturbances, knocks=scene.disturbances
    ) if scene.disturbances else []  # fmt: skip
    run = render(piano, [*blows, *noises], scene.room, rng=hand)
    layout = piano.layout if scene.layout_known else KeyboardLayout(compass=piano.compass)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.flac"
        write_sound(path, run.audio, sample_rate_hz=run.sample_rate_hz)
        began = time.process_time()
        result = analyse(path, layout=layout)
        analysis_s = time.process_time() - began
    pairs, extra = _pair(run.truth.strikes, result.strikes)
    return Played(
        scene=scene,
        piano=piano,
        faults=faults,
        truth=run.truth,
        result=result,
        skipped=tuple(skipped),
        pairs=pairs,
        extra=extra,
        analysis_s=analysis_s,
    )


def play_all(scenes: Sequence[Scene], *, jobs: int) -> Iterator[Played]:
    """Play scenes, in their order."""
    if jobs <= 1 or len(scenes) == 1:
        yield from map(play, scenes)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context) as pool:
        yield from pool.map(play, scenes)


def _with_strings(piano: PianoSpec, strings: Strings) -> PianoSpec:
    """Put all partials on the series, and leave one string a note."""
    if strings == "ordinary":
        return piano
    notes = [
        dataclasses.replace(
            note, partial_deviation_cents=tuple(0.0 for _ in note.partial_deviation_cents)
        )
        for note in piano.notes
    ]
    if strings == "single":
        notes = [
            dataclasses.replace(
                note,
                string_cents=(0.0,),
                string_gains=(1.0,),
                horizontal_cents=0.0,
                reactive_ratio=0.0,
            )
            for note in notes
        ]
    board = dataclasses.replace(
        piano.soundboard, pull_cents=tuple(0.0 for _ in piano.soundboard.pull_cents)
    )
    return dataclasses.replace(piano, notes=tuple(notes), soundboard=board)


def _pair(
    truths: Sequence[StrikeTruth], results: Sequence[StrikeResult]
) -> tuple[tuple[tuple[StrikeTruth, StrikeResult | None], ...], tuple[StrikeResult, ...]]:
    """Pair true and found strikes one to one, the nearest first."""
    near = sorted(
        (abs(r.onset_s - t.onset_s), i, k)
        for i, t in enumerate(truths)
        for k, r in enumerate(results)
        if abs(r.onset_s - t.onset_s) <= SAME_STRIKE_S
    )
    found: dict[int, int] = {}
    used: set[int] = set()
    for _, i, k in near:
        if i not in found and k not in used:
            found[i] = k
            used.add(k)
    pairs = tuple((t, results[found[i]] if i in found else None) for i, t in enumerate(truths))
    return pairs, tuple(r for k, r in enumerate(results) if k not in used)
