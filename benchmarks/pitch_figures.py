"""How accurate are pitch, stiffness and single partials, and are the stated errors right?

Functions: `report_pitch`, `report_calibration`, `report_bound`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from bound import compare_with_bound
from report import Report, quantile_abs, robust_spread
from scenes import Played
from words import worst

from toneapp.pitch import note_name
from toneapp.results import StrikeResult
from toneapp.simulate import StrikeTruth
from toneapp.simulate.truth import fit_series

__all__ = ["report_bound", "report_calibration", "report_pitch"]

B_RANGE = range(36, 85)  # C2 to C6
BOUND_NOTES = (33, 48, 60, 72, 84, 93)

Pair = tuple[StrikeTruth, StrikeResult]


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
               goal="< 0.5" if has_goal else "", note=worst(errors))  # fmt: skip
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
               goal="< 10" if has_goal else "", note=worst(b))  # fmt: skip
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


def _cents(measured_hz: float, true_hz: float) -> float:
    return 1200.0 * math.log2(measured_hz / true_hz)


def _f1_of_counted(truth: StrikeTruth, result: StrikeResult) -> float | None:
    """f1 of the series through the true frequencies of the partials that were measured."""
    counted = {p.n for p in result.partials}
    n, hz = np.array([(p.n, p.hz) for p in truth.partials if p.n in counted]).reshape(-1, 2).T
    if n.size < 3:
        return None
    f0, B = fit_series(n, hz, np.ones(n.size))
    return f0 * math.sqrt(1.0 + B)


def _difference(measured: float | None, true: float | None) -> float | None:
    return None if measured is None or true is None else measured - true


def _ratio(error: float | None, se: float | None) -> float | None:
    return None if error is None or not se else error / se


def _cents_or_none(pair: Pair) -> float | None:
    truth, result = pair
    return None if result.f1_hz is None else _cents(result.f1_hz, truth.f1_hz)
