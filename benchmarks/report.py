"""How are measured figures collected, held against their goals, and written down?

Classes and functions: `Figure`, `Report`, `quantile_abs`, `robust_spread`.
"""

from __future__ import annotations

import dataclasses
import json
import math
import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from reasons import about, reason

from toneapp.saving import replacing

__all__ = ["Figure", "Report", "quantile_abs", "robust_spread"]

_COMPARE: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number, with the goal it has to reach when there is one."""

    section: str
    name: str
    value: float | None  # None: nothing to measure it on
    unit: str = ""
    count: int | None = None  # what it was taken from
    goal: str = ""  # such as "< 0.1", in the same unit
    note: str = ""

    @property
    def is_reached(self) -> bool | None:
        """Whether the goal is reached; None without a goal."""
        if not self.goal:
            return None
        if self.value is None or not math.isfinite(self.value):
            return False
        sign, limit = self.goal.split()
        return _COMPARE[sign](self.value, float(limit))


@dataclass(slots=True, kw_only=True)
class Report:
    """Figures in the order in which they were taken, printed as they come."""

    title: str
    script: str  # that takes the figures
    facts: dict[str, str] = field(default_factory=dict)
    figures: list[Figure] = field(default_factory=list)
    _section: str = ""

    def section(self, name: str) -> None:
        """Begin a new part."""
        self._section = name
        print(f"\n{name}")

    def add(
        self,
        name: str,
        value: float | None,
        unit: str = "",
        *,
        count: int | None = None,
        goal: str = "",
        note: str = "",
    ) -> None:
        """Take one figure and print it."""
        figure = Figure(
            section=self._section,
            name=name,
            value=None if value is None or not math.isfinite(value) else float(value),
            unit=unit,
            count=count,
            goal=goal,
            note=note,
        )
        self.figures.append(figure)
        mark = {None: "      ", True: "ok    ", False: "MISSED"}[figure.is_reached]
        aim = f"  (goal {goal})" if goal else ""
        of = f"  n={count}" if count is not None else ""
        tail = f"  {note}" if note else ""
        print(
            f"  {mark} {name:<58} {_number(figure.value):>9} {unit:<9}{aim}{of}{tail}", flush=True
        )

    def missed(self) -> list[Figure]:
        """Return the figures that do not reach their goal."""
        return [figure for figure in self.figures if figure.is_reached is False]

    def as_dict(self) -> dict[str, Any]:
        """Return the report in a form for JSON."""
        return {
            "title": self.title,
            "facts": self.facts,
            "figures": [
                dataclasses.asdict(figure) | {"is_reached": figure.is_reached}
                for figure in self.figures
            ],
        }

    def as_markdown(self) -> str:
        """Return the report as Markdown: goals first, then what is missed and why, then all."""
        lines = [f"# {self.title}", ""]
        lines += [
            f"Made by `python benchmarks/{self.script} --markdown OUT`; how to read it stands in"
        ]
        lines += ["[README.md](README.md). Nothing in it is rounded towards its goal.", ""]
        lines += [f"- {name}: {value}" for name, value in self.facts.items()]
        with_goal = [figure for figure in self.figures if figure.goal]
        missed = self.missed()
        reached = len(with_goal) - len(missed)
        lines += ["", "## Goals", "", f"{reached} of {len(with_goal)} are reached.", ""]
        lines += ["| what | on what | goal | measured | |", "| --- | --- | ---: | ---: | --- |"]
        for figure in with_goal:
            mark = "reached" if figure.is_reached else "**missed**"
            lines.append(
                f"| {figure.name} | {figure.section} | {_with_unit(figure.goal, figure.unit)} | "
                f"{_with_unit(_number(figure.value), figure.unit)} | {mark} |"
            )
        if missed:
            lines += ["", "## What is missed, and why", ""]
            lines += [
                f"- {figure.section}, {figure.name}: "
                f"{_with_unit(_number(figure.value), figure.unit)} for "
                f"{_with_unit(figure.goal, figure.unit)}. {reason(figure.section, figure.name)}"
                for figure in missed
            ]
        last = None
        for figure in self.figures:
            if figure.section != last:
                lines += ["", f"## {figure.section}", ""]
                if text := about(figure.section):
                    lines += [text, ""]
                lines += ["| figure | value | goal | taken from | |"]
                lines += ["| --- | ---: | ---: | ---: | --- |"]
                last = figure.section
            count = "" if figure.count is None else str(figure.count)
            lines.append(
                f"| {figure.name.strip()} | {_with_unit(_number(figure.value), figure.unit)} | "
                f"{_with_unit(figure.goal, figure.unit)} | {count} | {figure.note} |"
            )
        return "\n".join(lines) + "\n"

    def write(self, *, json_path: str | None, markdown_path: str | None) -> None:
        """Write what was asked for, whole or not at all."""
        if json_path:
            with replacing(Path(json_path)) as temporary:
                temporary.write_text(json.dumps(self.as_dict(), indent=1) + "\n")
        if markdown_path:
            with replacing(Path(markdown_path)) as temporary:
                temporary.write_text(self.as_markdown())


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}".strip() if text and text != "none" else text


def _number(value: float | None) -> str:
    """Three figures, no exponent where it can be helped."""
    if value is None:
        return "none"
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        return f"{value:.3g}" if abs(value) < 1e3 else f"{value:.0f}"
    return f"{value:.2e}"


def quantile_abs(values: Sequence[float], share: float) -> float | None:
    """Quantile of the absolute values; None of nothing."""
    return float(np.quantile(np.abs(values), share)) if len(values) else None


def robust_spread(values: Sequence[float]) -> float | None:
    """Half the distance between the 15.9 and 84.1 % points: a normal's standard deviation."""
    if len(values) < 3:
        return None
    low, high = np.quantile(values, [0.158655, 0.841345])
    return float(0.5 * (high - low))
