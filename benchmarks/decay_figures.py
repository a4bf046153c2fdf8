"""How accurate are the two stages of the decay, the sustain and the damped decay?

Functions: `report_decay`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from report import Report, quantile_abs
from scenes import Played
from words import worst

__all__ = ["report_decay"]


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
    report.add(f"{what}: 90 % point", quantile_abs(sizes, 0.9), "%", note=worst(errors))
    report.add(f"{what}: median with its sign", float(np.median(sizes)) if sizes else None, "%")
    report.add(f"{what}: not measured", 100.0 * (of - len(sizes)) / max(of, 1), "%", count=of)
