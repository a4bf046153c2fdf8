"""Are leaking dampers and echo strings told, and is silence left silent?

The truth of a strike lists every string that sounds on after the release, with its level re the
blow 0.1 s later. A string counts as heard when it is reported for that strike, by any partial.

Functions: `report_ringing`, `report_silence`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from report import Report, quantile_abs
from scenes import Played
from words import most

from toneapp.pitch import note_name
from toneapp.results import Cause

__all__ = ["report_ringing", "report_silence"]

HEARD_DB = -50.0
"""Ringing strings above this, re the blow, are to be found."""

MARGIN_DB = 10.0
"""A string reported above the limit is right when it truly rings, up to this much softer."""

FIRST = 8


def report_ringing(report: Report, name: str, runs: Sequence[Played]) -> None:
    """Strings, causes, dampers and damped decay of short blows."""
    report.section(f"Ring-on: {name}")
    wanted = found = told = right = same = caused = 0
    lost: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for run in runs:
        for truth, result in run.matched:
            loud = {r.midi: r.cause for r in truth.ringing if r.level_db > HEARD_DB and r.midi}
            faint = {r.midi for r in truth.ringing if r.level_db > HEARD_DB - MARGIN_DB}
            heard = {r.midi: r.cause for r in result.ringing if r.midi is not None}
            clear = {r.midi for r in result.ringing if r.level_db > HEARD_DB and r.midi}
            wanted += len(loud)
            found += len(loud.keys() & heard.keys())
            told += len(clear)
            right += len(clear & faint)
            lost.update(
                f"{note_name(m)} after {note_name(truth.midi)}" for m in loud.keys() - heard
            )
            false.update(f"{note_name(m)} after {note_name(truth.midi)}" for m in clear - faint)
            both = loud.keys() & heard.keys()
            same += len(both)
            caused += sum(loud[midi] == heard[midi] for midi in both)
    report.add("ringing strings above -50 dB found (recall)", found / max(wanted, 1), "",
               count=wanted, goal=">= 0.9", note=most(lost))  # fmt: skip
    report.add("reported strings that ring (precision)", right / max(told, 1), "", count=told,
               goal=">= 0.9", note=most(false))  # fmt: skip
    report.add("causes rightly told", caused / max(same, 1), "", count=same, goal=">= 0.9")
    damped = [
        100.0 * (r.damped_t60_s / t.damped_t60_s - 1.0)
        for run in runs
        for t, r in run.matched
        if t.damped_t60_s is not None and r.damped_t60_s is not None
    ]
    report.add("damped T60: median error", quantile_abs(damped, 0.5), "%", count=len(damped),
               goal="< 15")  # fmt: skip
    leaky = listed = 0
    missed: Counter[str] = Counter()
    for run in runs:
        faults = set(run.faults.damper_strength)
        ring_on = run.result.ring_on
        first = [s.midi for s in ring_on.suspects[:FIRST]] if ring_on is not None else []
        leaky += len(faults)
        listed += len(faults & set(first))
        missed.update(note_name(midi) for midi in faults - set(first))
    if leaky:
        report.add("leaking dampers among the first eight suspects", 100.0 * listed / leaky, "%",
                   count=leaky, goal=">= 100", note=most(missed))  # fmt: skip


def report_silence(report: Report, name: str, runs: Sequence[Played]) -> None:
    """What is reported where every damper is good."""
    report.section(f"Ring-on: {name}")
    false = Counter(
        f"{note_name(ring.midi)} after {result.note}"
        for run in runs
        for truth, result in run.matched
        for ring in result.ringing
        if ring.midi is not None
        and ring.cause in (Cause.OWN_DAMPER, Cause.OTHER_DAMPER)
        and ring.midi not in {r.midi for r in truth.ringing if r.level_db > -70.0}
    )
    report.add("strings of good dampers reported, of 88 strikes", sum(false.values()) / len(runs),
               "", count=len(runs), goal="<= 1", note=most(false))  # fmt: skip
