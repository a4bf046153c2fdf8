"""Are strikes found, named, and placed in time?

Functions: `report_strikes`, `report_mistakes`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from report import Report, quantile_abs
from scenes import Played
from words import most

from toneapp.pitch import note_name

__all__ = ["report_mistakes", "report_strikes"]


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
               note=most(lost))  # fmt: skip
    report.add("strikes rightly named", 100.0 * named / len(pairs), "%", count=len(pairs),
               goal=aim, note=most(wrong))  # fmt: skip
    report.add("strikes where there was none, per run", len(extra) / len(runs), "",
               count=len(runs), note=most(Counter(s.note for s in extra)))  # fmt: skip
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
               note=most(unseen))  # fmt: skip
    none = [r for t, r in matched if t.release_s is None and r.release_s is not None]
    report.add("releases where there was none, per run", len(none) / len(runs), "",
               note=most(Counter(r.note for r in none)))  # fmt: skip


def report_mistakes(report: Report, runs: Sequence[Played]) -> None:
    """What the run says of the player's mistakes and of talk and knocks."""
    wanted = sum(len(run.skipped) for run in runs)
    told = sum(len(set(run.skipped) & set(run.result.missing)) for run in runs)
    report.add("skipped keys named as missing", 100.0 * told / max(wanted, 1), "%", count=wanted)
    wrong = [pair for run in runs for pair in run.pairs if pair[0].role == "wrong"]
    heard = sum(r is not None and r.midi == t.midi for t, r in wrong)
    report.add("wrong keys named as what they are", 100.0 * heard / max(len(wrong), 1), "%",
               count=len(wrong))  # fmt: skip
