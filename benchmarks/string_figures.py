"""How well are strings measured that were solved by finite differences?

Functions: `report_strings`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from report import Report, quantile_abs
from strings import measure_struck_strings

__all__ = ["report_strings"]


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
    row("f1 against the series through the true partials that were counted",
        [e.f1_counted_cents for e in errors], "cent", "< 0.1")  # fmt: skip
    row("f1 against the series through the first 16 true partials",
        [e.f1_cents for e in errors], "cent")  # fmt: skip
    row("B against that series", [_percent(e.B_relative) for e in errors], "%", "< 2")
    row("T60 of partials", [_percent(e.partial_t60_relative) for e in errors], "%", "< 10")
    row("damped T60", [_percent(e.damped_t60_relative) for e in errors], "%")
    report.add("aftersound where there is one stage", sum(e.false_after for e in errors), "notes")


def _percent(value: float | None) -> float | None:
    return None if value is None else 100.0 * value
