"""Are hammers, faults and changes told from what the hand does?

Functions: `report_hammers`, `report_raised`, `report_untouched`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
from hammers import correlations, raised_notes
from report import Report, robust_spread
from scenes import Played

from toneapp.evenness import AUDIBLE_BRIGHTNESS_OCT, AUDIBLE_LEVEL_DB
from toneapp.evenness.compare import estimate_notes, note_changes
from toneapp.results import StrikeResult

__all__ = ["report_hammers", "report_raised", "report_untouched"]


def report_hammers(report: Report, name: str, runs: Sequence[Played], *, goal: str) -> None:
    """Brightness residuals against the hammers."""
    report.section(f"Hammers: {name}")
    figures = [correlations(run) for run in runs]
    rows = [
        ("r of residual with hardness, mean of runs", [f.r_hardness for f in figures], goal),
        ("  the same, A0 to C6", [f.r_hardness_to_c6 for f in figures], ""),
        ("r with the hammer's effect at the reference level", [f.r_effect for f in figures], ""),
        (
            "true level and centroid alone, same judgement",
            [f.ceiling_same_judgement for f in figures],
            "",
        ),
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
        report.add("true level and centroid alone, same judgement",
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
