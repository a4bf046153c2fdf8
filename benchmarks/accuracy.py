"""How accurate are the measures? A report on runs whose truth is known.

Run it from the root of the repository::

    python benchmarks/accuracy.py [--draws 3] [--jobs 2] [--parts strikes,pitch,...]
                                  [--json OUT] [--markdown OUT]

It plays simulated pianos of both kinds in several rooms, analyses the recordings as any other, and
prints every figure beside its goal. Strings solved by finite differences and plain sums of damped
sinusoids serve as second and third sources of truth. Each draw is another instrument. What has
been taken so far is written after every part.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from functools import cached_property

from decay_figures import report_decay
from hammer_figures import report_hammers, report_raised, report_untouched
from pitch_figures import report_bound, report_calibration, report_pitch
from report import Report
from ring_figures import report_ringing, report_silence
from scenes import Kind, Played, Scene, play_all
from strike_figures import report_mistakes, report_strikes
from string_figures import report_strings

from toneapp.simulate import Room

KINDS: tuple[Kind, Kind] = ("upright", "grand")
CLEAN_ROOMS = (Room(t60_s=0.25), Room(t60_s=0.4), Room(t60_s=0.8, reverb_db=-10.0))
NOISY_ROOM = Room(t60_s=0.5, snr_db=25.0, hum_db=-30.0)
DRY_ROOM = Room(t60_s=0.0, reflections=0)
USUAL_ROOM = Room(t60_s=0.4, snr_db=50.0)
LIVE_ROOM = Room(t60_s=0.6, snr_db=60.0)
QUIET_ROOM = Room(t60_s=0.4, snr_db=65.0)
THREE_BLOWS = ("soft", "medium", "firm")
THREE_HOLDS_S = (1.1, 1.1, 1.0, 0.8, 0.7)
LONG_HOLDS_S = (11.0, 10.0, 7.0, 4.0, 2.0)


class Stage:
    """Plays the runs that the parts of the report ask for; what two parts share is played once.

    Parameters
    ----------
    draws : range
        Numbers of the instruments of each kind.
    jobs : int
        Runs at a time.
    """

    def __init__(self, draws: range, *, jobs: int) -> None:
        self.draws = draws
        self.jobs = jobs

    def runs(self, **scene: object) -> list[Played]:
        """Play a scene on every instrument."""
        return self._play(
            [
                Scene(**({"kind": kind, "draw": draw} | scene))  # type: ignore[arg-type]
                for kind in KINDS
                for draw in self.draws
            ]
        )

    @cached_property
    def clean(self) -> list[Played]:
        """Two-second holds without noise, in three rooms."""
        return self._play(
            [
                Scene(kind=kind, draw=draw, room=CLEAN_ROOMS[i % len(CLEAN_ROOMS)])
                for kind in KINDS
                for i, draw in enumerate(self.draws)
            ]
        )

    @cached_property
    def noisy(self) -> list[Played]:
        """Two-second holds at 25 dB signal to noise with hum."""
        return self.runs(room=NOISY_ROOM)

    def _play(self, scenes: Sequence[Scene]) -> list[Played]:
        return list(play_all(scenes, jobs=self.jobs))


def part_strikes(report: Report, stage: Stage) -> None:
    """Finding, naming, times."""
    report_strikes(report, "clean, two-second holds, three rooms", stage.clean, goal=100)
    report_strikes(report, "25 dB signal to noise and hum", stage.noisy, goal=99)
    down = stage.runs(
        room=USUAL_ROOM, order="descending", mistakes=3, disturbances=4, layout_known=False
    )
    name = "descending, 12 mistakes, 4 spoken words, 4 knocks, breaks unknown"
    report_strikes(report, name, down, goal=99)
    report_mistakes(report, down)
    for name, room in (("no noise, no room", DRY_ROOM), ("50 dB", USUAL_ROOM)):
        sparse = stage.runs(hold_s=(5.0,), step=4, room=room)
        report_strikes(report, f"every fourth key held five seconds, {name}", sparse, goal=100)


def part_pitch(report: Report, stage: Stage) -> None:
    """Pitch, stiffness, stated errors."""
    report_pitch(report, "clean, two-second holds", stage.clean, has_goal=True)
    lawful = stage.runs(strings="lawful", room=CLEAN_ROOMS[1])
    report_pitch(report, "the same, partials without scatter", lawful, has_goal=True)
    single = stage.runs(strings="single", room=CLEAN_ROOMS[1])
    report_pitch(report, "the same, one string a note", single, has_goal=True)
    report_pitch(report, "25 dB signal to noise and hum", stage.noisy, has_goal=False)
    report_calibration(report, "clean", stage.clean)
    report_calibration(report, "clean, one string a note, no scatter", single)
    report_calibration(report, "25 dB signal to noise and hum", stage.noisy)


def part_decay(report: Report, stage: Stage) -> None:
    """Decay of long and of short holds."""
    long = stage.runs(hold_s=LONG_HOLDS_S, room=USUAL_ROOM, step=2)
    report_decay(report, "long holds, 50 dB signal to noise", long, has_goal=True)
    report_calibration(report, "long holds", long)
    short = stage.runs(hold_s=(2.0,), room=USUAL_ROOM, step=3)
    report_decay(report, "two-second holds", short, has_goal=False)


def part_ringing(report: Report, stage: Stage) -> None:
    """Dampers and echo strings."""
    short = {"hold_s": (0.35,), "gap_s": 1.3}
    leaking = stage.runs(**short, room=QUIET_ROOM, has_faults=True)
    report_ringing(report, "short blows, six leaking dampers", leaking)
    report_silence(report, "short blows, good dampers, room T60 0.6 s",
                   stage.runs(**short, room=LIVE_ROOM))  # fmt: skip


def part_hammers(report: Report, stage: Stage) -> None:
    """Hammers, faults, changes."""
    three = {"dynamics": THREE_BLOWS, "hold_s": THREE_HOLDS_S, "has_faults": True}
    usual = stage.runs(**three, room=USUAL_ROOM)
    bare = stage.runs(**three, room=DRY_ROOM)
    one = stage.runs(hold_s=THREE_HOLDS_S, room=USUAL_ROOM, has_faults=True)
    report_hammers(report, "soft, medium, firm", usual, goal="> 0.9")
    report_hammers(report, "the same without room and noise", bare, goal="> 0.9")
    report_hammers(report, "one blow a note", one, goal="")
    report_raised(report, "eight hammers and two levels off, three blows", usual, has_goal=True)
    report_raised(report, "the same without room and noise", bare, has_goal=True)
    report_raised(report, "the same, one blow, with the room", one, has_goal=False)
    plain = {"dynamics": THREE_BLOWS, "hold_s": (0.8,), "room": USUAL_ROOM}
    first, second = stage.runs(**plain), stage.runs(**plain, take=1)
    report_raised(report, "no faults, hammers scatter by 0.08 octave", first, has_goal=False)
    report_untouched(report, first, second)


PARTS = {
    "strikes": part_strikes,
    "pitch": part_pitch,
    "decay": part_decay,
    "ringing": part_ringing,
    "hammers": part_hammers,
    "bound": None,  # not played: tones made from the formula
    "strings": None,
}


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--draws", type=int, default=3, help="instruments of each kind")
    parser.add_argument("--first-draw", type=int, default=100, help="number of the first one")
    parser.add_argument("--jobs", type=int, default=2, help="runs at a time")
    parser.add_argument("--blows", type=int, default=24, help="blows per note for the bound")
    parser.add_argument("--parts", default=",".join(PARTS), help="some of them, with commas")
    parser.add_argument("--json", metavar="OUT")
    parser.add_argument("--markdown", metavar="OUT")
    options = parser.parse_args()
    unknown = set(options.parts.split(",")) - set(PARTS)
    if unknown:
        parser.error(f"no such part: {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    if options.draws < 1 or options.blows < 2:
        parser.error("at least one draw and two blows")
    return options


def main() -> int:
    """Take all figures, or those of the parts asked for."""
    options = _options()
    draws = range(options.first_draw, options.first_draw + options.draws)
    stage = Stage(draws, jobs=options.jobs)
    began = time.perf_counter()
    report = Report(
        title="Accuracy of the measures, on sounds whose truth is known", script="accuracy.py"
    )
    report.facts["simulated instruments"] = (
        f"uprights and grands, {options.draws} of each kind, from draw {draws[0]}"
    )
    report.facts["blows per note for the Cramer-Rao bound"] = str(options.blows)
    for name, part in PARTS.items():
        if name not in options.parts.split(","):
            continue
        if part is not None:
            part(report, stage)
        elif name == "bound":
            report_bound(report, options.blows)
        else:
            report_strings(report)
        report.facts["time taken"] = f"{(time.perf_counter() - began) / 60:.0f} min"
        report.write(json_path=options.json, markdown_path=options.markdown)
    missed = report.missed()
    print(f"\n{len(missed)} of {sum(f.goal != '' for f in report.figures)} goals missed")
    for figure in missed:
        print(f"  {figure.section}: {figure.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
