"""How quickly is the map of a whole keyboard prepared and drawn?

    python benchmarks/map.py

88 keys, three blows each, invented, with a second run laid over the first and every lane shown;
the widget is as large as the page in a window of 1920 by 1080. Each figure is the median of
several, with its goal beside it.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "library"))

import numpy as np
from invented import invent_run
from PySide6.QtWidgets import QApplication

from toneapp.desktop.evenness_map import EvennessMap
from toneapp.desktop.evenness_view import evenness_view
from toneapp.desktop.lane_order import LaneOrder
from toneapp.desktop.theme import Theme, ThemeMode
from toneapp.library import Instrument, Run, RunOfInstrument, compare_before_after
from toneapp.results import Raised, RunResult

TIMES = 25
GOAL_MS = 16.0
SIZE = (1240, 860)


def median_ms(act: Callable[[], object]) -> float:
    taken = []
    for _ in range(TIMES):
        begun = time.perf_counter()
        act()
        taken.append(1000.0 * (time.perf_counter() - begun))
    return statistics.median(taken)


def invented(draw: int) -> RunResult:
    """Full run with trends and with every tenth note raised."""
    result = invent_run(np.random.default_rng(draw), midis=range(21, 109), strikes=3, partials=30)
    notes = tuple(
        replace(
            note,
            level_trend_db=None if note.level_db is None else note.level_db - 0.5,
            brightness_trend=None if note.brightness is None else note.brightness - 0.1,
            raised=(Raised.BRIGHT, Raised.SOFT) if note.midi % 10 == 0 else (),
        )
        for note in result.notes
    )
    return replace(result, notes=notes)


def main() -> None:
    application = QApplication([])
    theme = Theme(ThemeMode.LIGHT)
    theme.apply(application)
    instrument = Instrument(name="Old upright", id=1, first_plain_midi=48, last_damper_midi=88)
    before, after = (
        RunOfInstrument(
            instrument=instrument,
            run=Run(instrument_id=1, id=number, condition=name, recorded_at=f"2024-05-0{number}"),
            result=invented(number),
        )
        for number, name in ((1, "before"), (2, "after"))
    )
    comparison = compare_before_after(before, after)
    view = evenness_view(after, comparison=comparison)
    shown = LaneOrder(hidden=frozenset(LaneOrder().keys) - frozenset(view.measured_lanes()))
    rows = [
        ("prepare the map (off the GUI thread)",
         median_ms(lambda: evenness_view(after, comparison=comparison)), None),
    ]  # fmt: skip
    for name, order in (("lanes as at first", LaneOrder()), ("all lanes", shown)):
        widget = EvennessMap(theme)
        widget.resize(*SIZE)
        widget.set_order(order)
        widget.set_view(view)
        widget.show()
        application.processEvents()

        def redraw(widget: EvennessMap = widget) -> None:
            widget.set_view(view)
            widget.repaint()

        def move(widget: EvennessMap = widget) -> None:
            widget.set_chosen(21 + (widget.chosen - 20) % 88)
            widget.repaint()

        rows.append((f"draw it anew, {name} ({len(order.shown)})", median_ms(redraw), GOAL_MS))
        rows.append((f"move to another key, {name}", median_ms(move), GOAL_MS))
        widget.close()
    for name, value_ms, goal_ms in rows:
        goal = "" if goal_ms is None else f"  (goal < {goal_ms:.0f} ms)"
        missed = "  MISSED" if goal_ms is not None and value_ms >= goal_ms else ""
        print(f"{name:<44} {value_ms:7.2f} ms{goal}{missed}")


if __name__ == "__main__":
    main()
