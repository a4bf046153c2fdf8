"""Which notes of a run want work, why, by how much, and what is to be looked at first?

Raised notes come from the measured result; what lies behind them and what can be done from the
advice of `toneapp.evenness`. A tick says that an entry was worked on.

Classes and functions: `Worklists`, `Worklist`, `WorkEntry`, `list_work`, `same_finding`,
`worklist_text`.
"""

from __future__ import annotations

import math
import textwrap
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toneapp.errors import InputError
from toneapp.evenness import Advice, load_advice
from toneapp.library.database import Database
from toneapp.library.rows import Purpose
from toneapp.library.writer import now_text
from toneapp.pitch import note_name
from toneapp.results import Cause, EchoString, NoteResult, Raised, RunResult, StrikeResult
from toneapp.wording import (
    cause_text,
    note_list_text,
    quantity_text,
    raised_reason,
    raised_text,
    subject_text,
)

__all__ = ["WorkEntry", "Worklist", "Worklists", "list_work", "same_finding", "worklist_text"]

NO_KEY_MIDI = 0
"""Stands for "belongs to no key" in an entry, where a note would stand."""

_DAMPERS = (Cause.OWN_DAMPER, Cause.OTHER_DAMPER)

WIDTH = 79
_MOST_NAMED = 6  # notes in a reason; more are not read at the bench


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkEntry:
    """One finding at one key."""

    midi: int  # the key to go to; 0 when it belongs to none
    subject: str  # a value of `Raised` or `Cause`
    title: str
    reason: str  # with the size and its uncertainty
    size: float | None
    size_se: float | None
    unit: str
    keys: tuple[int, ...]  # struck keys from which it was heard, for ringing
    why: str
    check_first: tuple[str, ...]
    reversible: tuple[str, ...]
    irreversible: tuple[str, ...]
    cautions: tuple[str, ...]
    is_done: bool = False
    done_note: str = ""

    @property
    def note(self) -> str:
        """Name of the key."""
        return note_name(self.midi) if self.midi else "no key"


@dataclass(frozen=True, slots=True, kw_only=True)
class Worklist:
    """What is to be done after a run, upward over the keyboard."""

    entries: tuple[WorkEntry, ...]
    judged: int  # notes of the run that could be judged at all
    defer: str  # the sentence that belongs beside any advice


class Worklists:
    """The ticks on the worklists of a library."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def of_run(self, run_id: int, result: RunResult, purpose: Purpose) -> Worklist:
        """Return the worklist of a measured run, with its ticks."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT midi, subject, note FROM worklist_tick WHERE run_id = ?", (run_id,)
            ).fetchall()
        ticks = {(row["midi"], row["subject"]): str(row["note"]) for row in rows}
        return list_work(result, purpose=purpose, ticks=ticks)

    def tick(
        self, run_id: int, midi: int, subject: str, *, is_done: bool = True, note: str = ""
    ) -> None:
        """Tick an entry off, or take the tick away.

        Raises
        ------
        InputError
            If there is no such subject or run.
        """
        subject = subject.strip().replace(" ", "_")  # as it is shown: "own damper"
        if subject not in {*Raised, *Cause}:
            words = subject_text(subject)
            raise InputError(f"{words!r} is not a finding; look at the worklist for its words")
        name = note_name(midi) if midi else "no key"
        with self._database.writing(f"tick {name} {subject_text(subject)}") as writer:
            if writer.row("run", run_id) is None:
                raise InputError(f"there is no run {run_id} in the library; look at the list")
            rows = writer.connection.execute(
                "SELECT id, subject FROM worklist_tick WHERE run_id = ? AND midi = ?",
                (run_id, midi),
            ).fetchall()
            here = [row["id"] for row in rows if row["subject"] in same_finding(subject)]
            values = {"note": note.strip(), "made_at": now_text()}
            if here and is_done:
                writer.update("worklist_tick", here[0], values)
            elif is_done:
                writer.insert(
                    "worklist_tick", values | {"run_id": run_id, "midi": midi, "subject": subject}
                )
            else:
                for row_id in here:
                    writer.delete("worklist_tick", row_id)


def same_finding(subject: str) -> tuple[str, ...]:
    """Subjects that are one finding at a key.

    A damper that leaks is heard from its own key, from others, or both.
    """
    return tuple(_DAMPERS) if subject in _DAMPERS else (subject,)


def list_work(
    result: RunResult,
    *,
    purpose: Purpose = Purpose.EVENNESS,
    ticks: Mapping[tuple[int, str], str] | None = None,
) -> Worklist:
    """List the work that a result suggests.

    Parameters
    ----------
    result : RunResult
        A measured run.
    purpose : Purpose
        Undamped strings that answer, and sounds of no key, are listed for ring-on runs only: to a
        degree they belong to the instrument.
    ticks : mapping of (int, str) to str
        Notes on the entries done, by key and subject.

    Returns
    -------
    Worklist
    """
    book = load_advice()
    done = ticks or {}
    entries = [
        _raised_entry(note, way, book.raised[way]) for note in result.notes for way in note.raised
    ]
    entries += [
        _ringing_entry(midi, cause, heard, book.cause[cause], others)
        for midi, cause, heard, others in _findings(_ringing(result.strikes))
        if purpose is Purpose.RING_ON or cause in _DAMPERS
    ]
    ticked = [_ticked_if(entry, done) for entry in entries]
    return Worklist(
        entries=tuple(sorted(ticked, key=lambda e: (e.midi or math.inf, e.subject))),
        judged=sum(_is_judged(note) for note in result.notes),
        defer=book.defer,
    )


def worklist_text(worklist: Worklist, *, is_full: bool = True) -> str:
    """Write a worklist for the printer or the terminal.

    Parameters
    ----------
    worklist : Worklist
    is_full : bool
        With what to look at and the steps; else one line an entry.

    Returns
    -------
    str
        Lines of at most 79 signs.
    """
    if not worklist.entries:
        if worklist.judged == 0:
            return "Worklist: empty, since no note could be judged; see the run for the reason.\n"
        return (
            f"Worklist: nothing to do; all {worklist.judged} notes judged fit the instrument's "
            "own trend.\n"
        )
    done = sum(entry.is_done for entry in worklist.entries)
    noun = "finding" if len(worklist.entries) == 1 else "findings"
    lines = [f"Worklist: {len(worklist.entries)} {noun}, {done} done", ""]
    for entry in worklist.entries:
        box = "[x]" if entry.is_done else "[ ]"
        subject = subject_text(entry.subject)
        lines += _fold(f"{box} {entry.note:<6} {subject:<12} {entry.reason}", 24)
        if entry.done_note:
            lines += _fold(f"    {entry.done_note}", 4)
    if is_full:
        lines += _advice_lines(worklist.entries)
    cautions = dict.fromkeys(text for entry in worklist.entries for text in entry.cautions)
    lines += ["", "Cautions"]
    for text in cautions:
        lines += _fold(f"  - {text}", 4)
    lines += ["", *_fold(worklist.defer, 0)]
    return "\n".join(lines) + "\n"


def _advice_lines(entries: Iterable[WorkEntry]) -> list[str]:
    """Advice once for each kind of finding, with the keys it is for."""
    by_subject: dict[str, list[WorkEntry]] = defaultdict(list)
    for entry in entries:
        if not entry.is_done:
            by_subject[entry.subject].append(entry)
    lines: list[str] = []
    for group in by_subject.values():
        keys = note_list_text(entry.midi for entry in group if entry.midi)
        lines += ["", *_fold(f"{group[0].title}{': ' if keys else ''}{keys}", 2)]
        lines += _fold(f"  {group[0].why}", 2)
        for head, steps in (
            ("Look first at", group[0].check_first),
            ("Then, what can be undone", group[0].reversible),
            ("Last, what cannot be undone", group[0].irreversible),
        ):
            lines.append(f"  {head}")
            for step in steps:
                lines += _fold(f"    - {step}", 6)
    return lines


def _raised_entry(note: NoteResult, way: Raised, advice: Advice) -> WorkEntry:
    if way in (Raised.BRIGHT, Raised.DULL):
        size, se, unit = note.brightness_residual, note.brightness_se, "oct"
    elif way in (Raised.LOUD, Raised.SOFT):
        size, se, unit = note.level_residual_db, note.level_se, "dB"
    else:
        size, se, unit = note.prompt_t60_residual, note.prompt_t60_se, "ln ratio"
    return WorkEntry(
        midi=note.midi,
        subject=way.value,
        reason=f"{raised_text(way)}: {raised_reason(note, way)}",
        size=size,
        size_se=se,
        unit=unit,
        keys=(note.midi,),
        **_advice_fields(advice),
    )


def _ringing(
    strikes: Iterable[StrikeResult],
) -> dict[tuple[int, Cause], list[tuple[int, EchoString]]]:
    """What rings after the release, by the string that does it and why, with the struck keys."""
    found: dict[tuple[int, Cause], list[tuple[int, EchoString]]] = defaultdict(list)
    for strike in strikes:
        for echo in strike.ringing:
            found[echo.midi or NO_KEY_MIDI, echo.cause].append((strike.midi, echo))
    return found


_Heard = list[tuple[int, EchoString]]


def _findings(
    ringing: Mapping[tuple[int, Cause], _Heard],
) -> Iterable[tuple[int, Cause, _Heard, _Heard]]:
    """One finding a damper: heard from its own key, and from others besides, it is one leak."""
    for (midi, cause), heard in ringing.items():
        if cause is Cause.OTHER_DAMPER and (midi, Cause.OWN_DAMPER) in ringing:
            continue
        is_own = cause is Cause.OWN_DAMPER
        yield midi, cause, heard, ringing.get((midi, Cause.OTHER_DAMPER), []) if is_own else []


def _ringing_entry(
    midi: int, cause: Cause, heard: _Heard, advice: Advice, others: _Heard
) -> WorkEntry:
    levels = np.array([echo.level_db for _, echo in heard])
    mean = float(levels.mean())
    se = float(levels.std(ddof=1)) / math.sqrt(levels.size) if levels.size > 1 else None
    times = [echo.t60_s for _, echo in heard if echo.t60_s is not None]
    keys = tuple(sorted({key for key, _ in (*heard, *others)}))
    reason = f"{cause_text(cause)}: {quantity_text(mean, 'dB', se=se)} against the blow"
    if times:
        reason += f", dies away in {quantity_text(float(np.median(times)), 's')} (T60)"
    if cause is not Cause.OWN_DAMPER:
        reason += f", heard from {_some_notes(keys)}"
    unsure = sorted({a.midi for _, echo in heard for a in echo.alternatives})
    if unsure:
        reason += f" (could also be {_some_notes(unsure)})"
    if others:
        told = float(np.mean([echo.level_db for _, echo in others]))
        from_keys = _some_notes(sorted({key for key, _ in others}))
        reason += f"; its string also rings at {quantity_text(told, 'dB')} from {from_keys}"
    return WorkEntry(
        midi=midi,
        subject=cause.value,
        reason=reason,
        size=mean,
        size_se=se,
        unit="dB re strike",
        keys=keys,
        **_advice_fields(advice),
    )


def _some_notes(midis: Sequence[int]) -> str:
    """Name a few notes; the entry holds them all."""
    if len(midis) <= _MOST_NAMED + 1:
        return note_list_text(midis)
    return f"{note_list_text(midis[:_MOST_NAMED])} and {len(midis) - _MOST_NAMED} more"


def _is_judged(note: NoteResult) -> bool:
    return note.level_residual_db is not None or note.brightness_residual is not None


def _advice_fields(advice: Advice) -> dict[str, Any]:
    return {
        "title": advice.title,
        "why": " ".join(advice.reason.split()),
        "check_first": advice.check_first,
        "reversible": advice.reversible,
        "irreversible": advice.irreversible,
        "cautions": tuple(caution.text for caution in advice.cautions),
    }


def _ticked_if(entry: WorkEntry, done: Mapping[tuple[int, str], str]) -> WorkEntry:
    """Take the tick over, also one on what is now the other half of one finding."""
    here = ((entry.midi, subject) for subject in same_finding(entry.subject))
    note = next((done[key] for key in here if key in done), None)
    return entry if note is None else replace(entry, is_done=True, done_note=note)


def _fold(text: str, indent: int) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent) or [""]
