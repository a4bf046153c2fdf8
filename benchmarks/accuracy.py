"""How accurate are the measures? A report on runs whose truth is known.

Run it from the root of the repository::

    python benchmarks/accuracy.py [--draws 3] [--jobs 2] [--parts strikes,pitch,...]
                                  [--json OUT] [--markdown OUT]

It plays simulated pianos of both kinds in several rooms, analyses the recordings as any other, and
prints every figure beside its goal. Strings solved by finite differences and plain sums of damped
sinusoids serve as second and third sources of truth. Each draw is another instrument.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from bound import compare_with_bound
from hammers import correlations, raised_notes
from report import Report, quantile_abs, robust_spread
from scenes import Kind, Played, Scene, play_all
from strings import measure_struck_strings

from toneapp.evenness.compare import estimate_notes, note_changes
from toneapp.evenness.judge import AUDIBLE_BRIGHTNESS_OCT, AUDIBLE_LEVEL_DB
from toneapp.pitch import note_name
from toneapp.results import StrikeResult
from toneapp.simulate import Room, StrikeTruth
from toneapp.simulate.truth import fit_series

KINDS: tuple[Kind, Kind] = ("upright", "grand")
CLEAN_ROOMS = (Room(t60_s=0.25), Room(t60_s=0.4), Room(t60_s=0.8, reverb_db=-10.0))
NOISY_ROOM = Room(t60_s=0.5, snr_db=25.0, hum_db=-30.0)
DRY_ROOM = Room(t60_s=0.0, reflections=0)
USUAL_ROOM = Room(t60_s=0.4, snr_db=50.0)
THREE_BLOWS = ("soft", "medium", "firm")
LONG_HOLDS_S = (11.0, 10.0, 7.0, 4.0, 2.0)
B_RANGE = range(36, 85)  # C2 to C6
BOUND_NOTES = (33, 48, 60, 72, 84, 93)

Pair = tuple[StrikeTruth, StrikeResult]


def _cents(measured_hz: float, true_hz: float) -> float:
    return 1200.0 * math.log2(measured_hz / true_hz)


def report_strikes(report: Report, name: str, runs: Sequence[Played], *, goal: float) -> None:
    """Finding, naming, onsets and releases."""
    report.section(f"Strikes: {name}")
    pairs = [pair for run in runs for pair in run.pairs]
    found = sum(result is not None for _, result in pairs)
    named = sum(len(run.matched) for run in runs)
    extra = [strike for run in runs for strike in run.extra]
    wrong = Counter(
        f"{note_name(t.midi)}->{r.note}" for t, r in pairs if r is not None and r.midi != t.midi
    )
    lost = Counter(note_name(t.midi) for t, r in pairs if r is None)
    aim = f">= {goal}"
    report.add("strikes found", 100.0 * found / len(pairs), "%", count=len(pairs), goal=aim,
               note=_most(lost))  # fmt: skip
    report.add("strikes rightly named", 100.0 * named / len(pairs), "%", count=len(pairs),
               goal=aim, note=_most(wrong))  # fmt: skip
    report.add("strikes where there was none, per run", len(extra) / len(runs), "",
               count=len(runs), note=_most(Counter(s.note for s in extra)))  # fmt: skip
    onsets = [1e3 * (r.onset_s - t.onset_s) for t, r in pairs if r is not None]
    report.add("onset error, median", quantile_abs(onsets, 0.5), "ms", goal="< 5")
    report.add("onset error, 95 % point", quantile_abs(onsets, 0.95), "ms")
    matched = [pair for run in runs for pair in run.matched]
    releases = [
        1e3 * (r.release_s - t.release_s)
        for t, r in matched
        if t.release_s is not None and r.release_s is not None
    ]
    there = [(t, r) for t, r in matched if t.release_s is not None]
    unseen = Counter(note_name(t.midi) for t, r in there if r.release_s is None)
    report.add("release error, median", quantile_abs(releases, 0.5), "ms", count=len(releases),
               goal="< 30")  # fmt: skip
    report.add("release error, 95 % point", quantile_abs(releases, 0.95), "ms")
    report.add("releases not seen", 100.0 * sum(unseen.values()) / max(len(there), 1), "%",
               note=_most(unseen))  # fmt: skip
    none = [r for t, r in matched if t.release_s is None and r.release_s is not None]
    report.add("releases where there was none, per run", len(none) / len(runs), "",
               note=_most(Counter(r.note for r in none)))  # fmt: skip


def report_mistakes(report: Report, runs: Sequence[Played]) -> None:
    """What the run says of the player's mistakes and of talk and knocks."""
    wanted = sum(len(run.skipped) for run in runs)
    told = sum(len(set(run.skipped) & set(run.result.missing)) for run in runs)
    report.add("skipped keys named as missing", 100.0 * told / max(wanted, 1), "%", count=wanted)
    wrong = [pair for run in runs for pair in run.pairs if pair[0].role == "wrong"]
    heard = sum(r is not None and r.midi == t.midi for t, r in wrong)
    report.add("wrong keys named as what they are", 100.0 * heard / max(len(wrong), 1), "%",
               count=len(wrong))  # fmt: skip


def report_pitch(report: Report, name: str, runs: Sequence[Played], *, has_goal: bool) -> None:
    """Fundamental, inharmonicity, single partials."""
    report.section(f"Pitch: {name}")
    matched = [pair for run in runs for pair in run.matched]
    with_pitch = [(t, r) for t, r in matched if r.f1_hz is not None]
    report.add("strikes with a pitch", 100.0 * len(with_pitch) / len(matched), "%",
               count=len(matched))  # fmt: skip
    errors = [(t.midi, _cents(r.f1_hz, t.f1_hz)) for t, r in with_pitch if r.f1_hz]
    f1 = [error for _, error in errors]
    report.add("f1 error, median", quantile_abs(f1, 0.5), "cent",
               goal="< 0.1" if has_goal else "", count=len(f1))  # fmt: skip
    report.add("f1 error, 95 % point", quantile_abs(f1, 0.95), "cent",
               goal="< 0.5" if has_goal else "", note=_worst(errors))  # fmt: skip
    same = [
        _cents(r.f1_hz, own)
        for t, r in with_pitch
        if r.f1_hz and (own := _f1_of_counted(t, r)) is not None
    ]
    report.add("f1 error against a series through the true hz of", quantile_abs(same, 0.5), "cent",
               count=len(same),
               note=f"95 % {quantile_abs(same, 0.95) or 0:.3f} (partials that were counted)"
               )  # fmt: skip
    for low, high in ((21, 35), (36, 59), (60, 84), (85, 108)):
        part = [error for midi, error in errors if low <= midi <= high]
        report.add(
            f"f1 error {note_name(low)}-{note_name(high)}: median",
            quantile_abs(part, 0.5),
            "cent",
            count=len(part),
            note=f"95 % {quantile_abs(part, 0.95) or 0:.3f}",
        )
    b = [
        (t.midi, 100.0 * (r.B / t.B - 1.0))
        for t, r in with_pitch
        if r.B is not None and t.midi in B_RANGE
    ]
    sizes = [error for _, error in b]
    missing = sum(r.B is None for t, r in with_pitch if t.midi in B_RANGE)
    report.add("B error C2-C6, median", quantile_abs(sizes, 0.5), "%",
               goal="< 2" if has_goal else "", count=len(b))  # fmt: skip
    report.add("B error C2-C6, 95 % point", quantile_abs(sizes, 0.95), "%",
               goal="< 10" if has_goal else "", note=_worst(b))  # fmt: skip
    report.add("strikes C2-C6 without a B", missing, "", count=len(b) + missing)
    single = [
        _cents(p.hz, truth.hz)
        for t, r in with_pitch
        for p in r.partials
        if (truth := next((q for q in t.partials if q.n == p.n), None)) is not None
        and len(truth.string_hz) == 1
    ]
    several = [
        _cents(p.hz, truth.hz)
        for t, r in with_pitch
        for p in r.partials
        if (truth := next((q for q in t.partials if q.n == p.n), None)) is not None
        and len(truth.string_hz) > 1
    ]
    for what, values in (("one string", single), ("two or three strings", several)):
        if values:
            report.add(f"partial's frequency, {what}: median error", quantile_abs(values, 0.5),
                       "cent", count=len(values),
                       note=f"95 % {quantile_abs(values, 0.95) or 0:.3f}")  # fmt: skip


def report_calibration(report: Report, name: str, runs: Sequence[Played]) -> None:
    """Errors over stated errors: about 1 where the stated ones are right."""
    report.section(f"Standard errors, spread of error over stated error: {name}")
    matched = [pair for run in runs for pair in run.matched]
    kinds: list[tuple[str, Callable[[Pair], float | None]]] = [
        ("f1", lambda p: _ratio(_cents_or_none(p), p[1].cents_se)),
        ("B", lambda p: _ratio(_difference(p[1].B, p[0].B), p[1].B_se)),
        ("prompt T60", lambda p: _ratio(
            _difference(p[1].prompt_t60_s, p[0].prompt_t60_s), p[1].prompt_t60_s_se)),
        ("aftersound T60", lambda p: _ratio(
            _difference(p[1].after_t60_s, p[0].after_t60_s), p[1].after_t60_s_se)),
        ("brightness, one strike", lambda p: _ratio(
            _difference(p[1].brightness, p[0].brightness_oct), p[1].brightness_se)),
    ]  # fmt: skip
    for label, take in kinds:
        z = [value for pair in matched if (value := take(pair)) is not None]
        if len(z) < 10:
            report.add(label, None, "", count=len(z))
            continue
        beyond = 100.0 * float(np.mean(np.abs(z) > 3.0))
        report.add(label, robust_spread(z), "", count=len(z),
                   note=f"median {np.median(z):+.2f}, beyond 3: {beyond:.1f} %")  # fmt: skip


def report_decay(report: Report, name: str, runs: Sequence[Played], *, has_goal: bool) -> None:
    """Two-stage decay."""
    report.section(f"Decay: {name}")
    matched = [pair for run in runs for pair in run.matched]
    prompt = [
        (t.midi, 100.0 * (r.prompt_t60_s / t.prompt_t60_s - 1.0))
        for t, r in matched
        if r.prompt_t60_s is not None
    ]
    _decay_rows(report, "prompt T60", prompt, len(matched), goal=10 if has_goal else None)
    two = [(t, r) for t, r in matched if t.after_t60_s is not None]
    after = [
        (t.midi, 100.0 * (r.after_t60_s / t.after_t60_s - 1.0))
        for t, r in two
        if r.after_t60_s is not None and t.after_t60_s is not None
    ]
    _decay_rows(report, "aftersound T60", after, len(two), goal=20 if has_goal else None)
    false = [r for t, r in matched if t.after_t60_s is None and r.after_t60_s is not None]
    one = sum(t.after_t60_s is None for t, _ in matched)
    report.add("aftersound where there is one stage", len(false), "strikes", count=one)
    sustain = [
        (t.midi, 100.0 * (r.sustain_20db_s / t.sustain_20db_s - 1.0))
        for t, r in matched
        if t.sustain_20db_s is not None and r.sustain_20db_s is not None
    ]
    _decay_rows(report, "sustain to -20 dB", sustain, sum(
        t.sustain_20db_s is not None for t, _ in matched), goal=None)  # fmt: skip
    damped = [
        (t.midi, 100.0 * (r.damped_t60_s / t.damped_t60_s - 1.0))
        for t, r in matched
        if t.damped_t60_s is not None and r.damped_t60_s is not None
    ]
    _decay_rows(report, "damped T60 (room not taken out)", damped, sum(
        t.damped_t60_s is not None for t, _ in matched), goal=None)  # fmt: skip


def _decay_rows(
    report: Report, what: str, errors: Sequence[tuple[int, float]], of: int, *, goal: int | None
) -> None:
    sizes = [error for _, error in errors]
    report.add(f"{what}: median error", quantile_abs(sizes, 0.5), "%", count=len(sizes),
               goal=f"< {goal}" if goal else "")  # fmt: skip
    report.add(f"{what}: 90 % point", quantile_abs(sizes, 0.9), "%", note=_worst(errors))
    report.add(f"{what}: median with its sign", float(np.median(sizes)) if sizes else None, "%")
    report.add(f"{what}: not measured", 100.0 * (of - len(sizes)) / max(of, 1), "%", count=of)


def report_hammers(report: Report, name: str, runs: Sequence[Played], *, goal: str) -> None:
    """Brightness residuals against the hammers."""
    report.section(f"Hammers: {name}")
    figures = [correlations(run) for run in runs]
    rows = [
        ("r of residual with hardness, mean of runs", [f.r_hardness for f in figures], goal),
        ("  the same, A0 to C6", [f.r_hardness_to_c6 for f in figures], ""),
        ("r with the hammer's effect at the reference level", [f.r_effect for f in figures], ""),
        ("ceiling: true spectra, same judgement", [f.ceiling_same_judgement for f in figures], ""),
        ("ceiling: trend and slopes known as well", [f.ceiling_trend_known for f in figures], ""),
    ]
    for label, values, aim in rows:
        known = [value for value in values if value is not None]
        report.add(label, float(np.mean(known)) if known else None, "", count=len(known),
                   goal=aim, note=" ".join(f"{v:.3f}" for v in known))  # fmt: skip
    z = [value for f in figures for value in f.z]
    se = [value for f in figures for value in f.se]
    report.add("error of a note's residual over stated error: spread", robust_spread(z), "",
               count=len(z))  # fmt: skip
    report.add("stated error of a note, median", float(np.median(se)) if se else None, "oct")


def report_raised(report: Report, name: str, runs: Sequence[Played], *, has_goal: bool) -> None:
    """Raised notes against faults."""
    report.section(f"Raised notes: {name}")
    figures = [raised_notes(run) for run in runs]
    faulty = sum(f.faulty for f in figures)
    if faulty:
        report.add("faulty notes raised, of ten", 10.0 * sum(f.found for f in figures) / faulty,
                   "", count=faulty, goal=">= 9" if has_goal else "",
                   note="missed: " + ", ".join(itertools.chain(*(f.missed for f in figures)))
                   )  # fmt: skip
    if faulty:
        report.add("ceiling: the same judgement of true spectra and levels",
                   10.0 * sum(f.found_from_truth for f in figures) / faulty, "")  # fmt: skip
    false = [len(f.false) for f in figures]
    report.add("others raised, of 88: mean", float(np.mean(false)), "",
               goal="<= 2" if has_goal else "", count=len(false),
               note=", ".join(itertools.chain(*(f.false for f in figures))))  # fmt: skip
    report.add("others raised, of 88: worst run", float(max(false)), "")
    decay = [len(f.decay) for f in figures]
    report.add("raised for decay, of 88: mean", float(np.mean(decay)), "",
               note=", ".join(itertools.chain(*(f.decay for f in figures))))  # fmt: skip


def report_untouched(report: Report, first: Sequence[Played], second: Sequence[Played]) -> None:
    """Two runs of an instrument that nobody has touched."""
    report.section("Untouched instruments, two runs of three blows: notes said to have changed")
    for what, audible, take in (
        ("level", AUDIBLE_LEVEL_DB, lambda s: s.level_db),
        ("brightness", AUDIBLE_BRIGHTNESS_OCT, lambda s: s.brightness),
        ("cents", 1.0, lambda s: s.cents),
    ):
        counts = []
        for before, after in zip(first, second, strict=True):
            a, b = (estimate_notes(_by_note(run, take)) for run in (before, after))
            if a is None or b is None:
                continue
            changes = note_changes(a, b, audible=audible)
            counts.append(int(changes.is_changed.sum()))
        report.add(f"changed {what}, of 88: mean", float(np.mean(counts)) if counts else None, "",
                   goal="<= 4.4", count=len(counts))  # fmt: skip


def _by_note(run: Played, take: Callable[[StrikeResult], float | None]) -> dict[int, list[float]]:
    values: dict[int, list[float]] = {}
    for strike in run.result.strikes:
        value = take(strike)
        if value is not None:
            values.setdefault(strike.midi, []).append(value)
    return values


def report_bound(report: Report, blows: int) -> None:
    """Single strings in noise against the Cramer-Rao bound."""
    for snr_db in (40, 20):
        report.section(f"Cramer-Rao bound, one string, exact series, noise at -{snr_db} dB")
        for midi in BOUND_NOTES:
            f = compare_with_bound(midi, snr_db=snr_db, blows=blows)
            if f.f1_ratio is None:
                report.add(f"{note_name(midi)}: partials, rms error over bound", None, "",
                           note=f"{f.found} of {blows} rightly named")  # fmt: skip
                continue
            report.add(
                f"{note_name(midi)}: partials, rms error over bound",
                f.partial_ratio,
                "",
                count=f.found,
                goal="<= 2",
                note=f"f1 {f.f1_ratio:.1f} x its bound of {f.f1_bound_cents:.1e} cent, rms "
                f"{f.f1_rms_cents or 0:.4f}; B {f.B_ratio or math.nan:.1f} x; "
                f"f1 error over stated {f.f1_z or math.nan:.2f}",
            )


def report_strings(report: Report) -> None:
    """Strings solved in the time domain."""
    report.section("Struck strings by finite differences (C2, C4, A4, C7 at three speeds)")
    errors = measure_struck_strings()
    report.add("rightly named", 100.0 * float(np.mean([e.is_named for e in errors])), "%",
               goal=">= 100", count=len(errors))  # fmt: skip

    def row(what: str, values: Iterable[float | None], unit: str, goal: str = "") -> None:
        known = [value for value in values if value is not None]
        report.add(f"{what}: median size", quantile_abs(known, 0.5), unit, count=len(known),
                   goal=goal, note=f"worst {max(map(abs, known), default=math.nan):.3g}"
                   )  # fmt: skip

    row("onset (from the hammer's touch)", [e.onset_ms for e in errors], "ms", "< 5")
    row("release", [e.release_ms for e in errors], "ms", "< 30")
    row("partial's frequency", [e.partial_cents for e in errors], "cent")
    row("f1 against the series through its own partials", [e.f1_cents for e in errors], "cent",
        "< 0.1")  # fmt: skip
    row("B against that series", [_percent(e.B_relative) for e in errors], "%", "< 2")
    row("T60 of partials", [_percent(e.partial_t60_relative) for e in errors], "%", "< 10")
    row("damped T60", [_percent(e.damped_t60_relative) for e in errors], "%")
    report.add("aftersound where there is one stage", sum(e.false_after for e in errors), "notes")


def _f1_of_counted(truth: StrikeTruth, result: StrikeResult) -> float | None:
    """f1 of the series through the true frequencies of the partials that were measured."""
    counted = {p.n for p in result.partials}
    n, hz = np.array([(p.n, p.hz) for p in truth.partials if p.n in counted]).reshape(-1, 2).T
    if n.size < 3:
        return None
    f0, B = fit_series(n, hz, np.ones(n.size))
    return f0 * math.sqrt(1.0 + B)


def _percent(value: float | None) -> float | None:
    return None if value is None else 100.0 * value


def _difference(measured: float | None, true: float | None) -> float | None:
    return None if measured is None or true is None else measured - true


def _ratio(error: float | None, se: float | None) -> float | None:
    return None if error is None or not se else error / se


def _cents_or_none(pair: Pair) -> float | None:
    truth, result = pair
    return None if result.f1_hz is None else _cents(result.f1_hz, truth.f1_hz)


def _most(counts: Counter[str]) -> str:
    return ", ".join(name + (f" x{k}" if k > 1 else "") for name, k in counts.most_common(8))


def _worst(errors: Sequence[tuple[int, float]]) -> str:
    worst = sorted(errors, key=lambda item: -abs(item[1]))[:4]
    return "worst " + ", ".join(f"{note_name(midi)} {error:+.2f}" for midi, error in worst)


def main() -> int:
    """Take all figures, or those of the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--draws", type=int, default=3, help="instruments of each kind")
    parser.add_argument("--first-draw", type=int, default=100, help="number of the first one")
    parser.add_argument("--jobs", type=int, default=1, help="runs at a time")
    parser.add_argument("--blows", type=int, default=24, help="blows per note for the bound")
    parser.add_argument("--parts", default="strikes,pitch,decay,hammers,bound,strings")
    parser.add_argument("--json", metavar="OUT")
    parser.add_argument("--markdown", metavar="OUT")
    options = parser.parse_args()
    parts = set(options.parts.split(","))
    draws = range(options.first_draw, options.first_draw + options.draws)
    began = time.perf_counter()
    report = Report(title="Accuracy on runs with known truth")
    report.facts["instruments"] = f"{options.draws} of each kind, from draw {draws[0]}"

    def runs(**scene: object) -> list[Played]:
        scenes = [
            Scene(**({"kind": kind, "draw": draw} | scene))  # type: ignore[arg-type]
            for kind in KINDS
            for draw in draws
        ]
        return list(play_all(scenes, jobs=options.jobs))

    if parts & {"strikes", "pitch"}:
        clean = list(
            play_all(
                [
                    Scene(kind=kind, draw=draw, room=CLEAN_ROOMS[i % len(CLEAN_ROOMS)])
                    for kind in KINDS
                    for i, draw in enumerate(draws)
                ],
                jobs=options.jobs,
            )
        )
        noisy = runs(room=NOISY_ROOM)
        report_strikes(report, "clean, two-second holds, three rooms", clean, goal=100)
        report_strikes(report, "25 dB signal to noise and hum", noisy, goal=99)
    if "strikes" in parts:
        down = runs(
            room=USUAL_ROOM, order="descending", mistakes=3, disturbances=4, layout_known=False
        )
        report_strikes(
            report, "descending, 12 mistakes, 4 spoken words, 4 knocks, breaks unknown", down,
            goal=99,
        )  # fmt: skip
        report_mistakes(report, down)
        for name, room in (("no noise, no room", DRY_ROOM), ("50 dB", USUAL_ROOM)):
            sparse = runs(hold_s=(5.0,), step=4, room=room)
            report_strikes(report, f"every fourth key held five seconds, {name}", sparse, goal=100)
    if "pitch" in parts:
        report_pitch(report, "clean, two-second holds", clean, has_goal=True)
        lawful = runs(strings="lawful", room=CLEAN_ROOMS[1])
        report_pitch(report, "the same, partials without scatter", lawful, has_goal=True)
        single = runs(strings="single", room=CLEAN_ROOMS[1])
        report_pitch(report, "the same, one string a note", single, has_goal=True)
        report_pitch(report, "25 dB signal to noise and hum", noisy, has_goal=False)
        report_calibration(report, "clean", clean)
        report_calibration(report, "clean, one string a note, no scatter", single)
        report_calibration(report, "25 dB signal to noise and hum", noisy)
    if "decay" in parts:
        long = runs(hold_s=LONG_HOLDS_S, room=USUAL_ROOM, step=2)
        report_decay(report, "long holds, 50 dB signal to noise", long, has_goal=True)
        report_calibration(report, "long holds", long)
        short = runs(hold_s=(2.0,), room=USUAL_ROOM, step=3)
        report_decay(report, "two-second holds", short, has_goal=False)
    if "hammers" in parts:
        three = runs(
            dynamics=THREE_BLOWS, hold_s=(1.1, 1.1, 1.0, 0.8, 0.7), room=USUAL_ROOM,
            has_faults=True,
        )  # fmt: skip
        one = runs(hold_s=(1.1, 1.1, 1.0, 0.8, 0.7), room=USUAL_ROOM, has_faults=True)
        report_hammers(report, "soft, medium, firm", three, goal="> 0.9")
        bare = runs(
            dynamics=THREE_BLOWS, hold_s=(1.1, 1.1, 1.0, 0.8, 0.7), room=DRY_ROOM, has_faults=True
        )
        report_hammers(report, "the same without room and noise", bare, goal="> 0.9")
        report_hammers(report, "one blow a note", one, goal="")
        report_raised(report, "eight hammers and two levels off, three blows", three,
                      has_goal=True)  # fmt: skip
        report_raised(report, "the same without room and noise", bare, has_goal=True)
        report_raised(report, "the same, one blow, with the room", one, has_goal=False)
        plain = {"dynamics": THREE_BLOWS, "hold_s": (0.8,), "room": USUAL_ROOM}
        first, second = runs(**plain), runs(**plain, take=1)
        report_raised(report, "no faults, hammers scatter by 0.08 octave", first, has_goal=False)
        report_untouched(report, first, second)
    if "bound" in parts:
        report_bound(report, options.blows)
    if "strings" in parts:
        report_strings(report)
    report.facts["time taken"] = f"{time.perf_counter() - began:.0f} s"
    missed = report.missed()
    print(f"\n{len(missed)} of {sum(f.goal != '' for f in report.figures)} goals missed")
    for figure in missed:
        print(f"  {figure.section}: {figure.name}")
    report.write(json_path=options.json, markdown_path=options.markdown)
    return 0


if __name__ == "__main__":
    sys.exit(main())
