"""What was found at an instrument, what is to be done, and what is done?

Classes and functions: `Worksheets`, `worksheet_text`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import replace

from toneapp.errors import InputError
from toneapp.evenness import load_advice
from toneapp.library.database import Database
from toneapp.library.reading import item_values, read_item
from toneapp.library.rows import Instrument, ItemState, WorksheetItem
from toneapp.library.templates import Template
from toneapp.library.worklists import WorkEntry, same_finding
from toneapp.library.writer import Writer, new_uid, now_text
from toneapp.pitch import note_name

__all__ = ["Worksheets", "worksheet_text"]

_AREA_OF = {
    "bright": "Voicing", "dull": "Voicing", "loud": "Regulation", "soft": "Regulation",
    "short": "Strings", "long": "Strings", "own_damper": "Dampers", "other_damper": "Dampers",
    "undamped": "Dampers", "no_key": "Case",
}  # fmt: skip

WIDTH = 79


class Worksheets:
    """The worksheets of a library, one an instrument."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def items(self, instrument_id: int) -> tuple[WorksheetItem, ...]:
        """Return the items of an instrument in their order."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT * FROM worksheet_item WHERE instrument_id = ? AND deleted_at IS NULL"
                " ORDER BY position, id",
                (instrument_id,),
            ).fetchall()
        return tuple(read_item(row) for row in rows)

    def get(self, item_id: int) -> WorksheetItem:
        """Return one item.

        Raises
        ------
        InputError
            If there is none of that number.
        """
        with self._database.reading() as connection:
            row = connection.execute(
                "SELECT * FROM worksheet_item WHERE id = ?", (item_id,)
            ).fetchone()
        if row is None:
            raise InputError(f"there is no item {item_id}; look at the worksheet")
        return read_item(row)

    def add(self, item: WorksheetItem) -> WorksheetItem:
        """Add an item at the end.

        Raises
        ------
        InputError
            If a value cannot be.
        """
        with self._database.writing(f"add item {item.area}") as writer:
            row_id = _insert(writer, item)
        return self.get(row_id)

    def begin(self, instrument_id: int, template: Template) -> tuple[WorksheetItem, ...]:
        """Add the items of a template that are not there yet; returns those added."""
        present = {(item.area, item.finding) for item in self.items(instrument_id)}
        with self._database.writing(f"worksheet from template {template.name}") as writer:
            added = [
                _insert(
                    writer,
                    WorksheetItem(
                        instrument_id=instrument_id,
                        area=item.area,
                        finding=item.finding,
                        action=item.action,
                    ),
                )
                for item in template.items
                if (item.area, item.finding) not in present
            ]
        return tuple(self.get(row_id) for row_id in added)

    def raise_items(
        self, instrument_id: int, run_uid: str, entries: Sequence[WorkEntry]
    ) -> tuple[WorksheetItem, ...]:
        """Add an item for each entry of a worklist, but none that stands there open already."""
        open_ones = {
            (item.midi, item.raised_as)
            for item in self.items(instrument_id)
            if item.state is ItemState.OPEN and item.raised_as
        }
        with self._database.writing("raise items from a run") as writer:
            added = [
                _insert(
                    writer,
                    WorksheetItem(
                        instrument_id=instrument_id,
                        area=_AREA_OF.get(entry.subject, "Other"),
                        finding=entry.reason[:1].upper() + entry.reason[1:],
                        action=entry.check_first[0],
                        midi=entry.midi or None,  # 0 stands for no key
                        raised_run_uid=run_uid,
                        raised_as=entry.subject,
                    ),
                )
                for entry in entries
                if not entry.is_done
                and not any(
                    (entry.midi or None, s) in open_ones for s in same_finding(entry.subject)
                )
            ]
        return tuple(self.get(row_id) for row_id in added)

    def change(self, item: WorksheetItem) -> WorksheetItem:
        """Write an item that was read before and replaced in parts.

        Raises
        ------
        InputError
            If a value cannot be.
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        values = item_values(item)
        done_at = None
        if item.state is ItemState.DONE:
            done_at = item.done_at or now_text()
        with self._database.writing(f"change item {item.area}") as writer:
            writer.update(
                "worksheet_item", item.id, values | {"done_at": done_at}, version=item.version
            )
        return self.get(item.id)

    def tick(
        self, item: WorksheetItem, *, is_done: bool = True, minutes: int | None = None
    ) -> WorksheetItem:
        """Tick an item off (or open it again), with the minutes it took."""
        state = ItemState.DONE if is_done else ItemState.OPEN
        minutes = item.minutes if minutes is None else minutes
        return self.change(replace(item, state=state, minutes=minutes))

    def remove(self, item: WorksheetItem) -> None:
        """Lay an item in the bin.

        Raises
        ------
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        with self._database.writing(f"item {item.area} to the bin") as writer:
            writer.update(
                "worksheet_item", item.id, {"deleted_at": now_text()}, version=item.version
            )


def _insert(writer: Writer, item: WorksheetItem) -> int:
    position = writer.connection.execute(
        "SELECT coalesce(max(position), 0) + 1 FROM worksheet_item WHERE instrument_id = ?",
        (item.instrument_id,),
    ).fetchone()[0]
    return writer.insert(
        "worksheet_item",
        item_values(item)
        | {
            "uid": new_uid(),
            "instrument_id": item.instrument_id,
            "position": position,
            "raised_run_uid": item.raised_run_uid,
            "raised_as": item.raised_as,
            "created_at": now_text(),
            "done_at": now_text() if item.state is ItemState.DONE else None,
        },
    )


def worksheet_text(instrument: Instrument, items: Sequence[WorksheetItem]) -> str:
    """Write a worksheet for the printer or the terminal.

    Returns
    -------
    str
        Lines of at most 79 signs, area by area, with a box to tick before each item; last who
        should do the work.
    """
    head = [f"Worksheet: {instrument.name}"]
    facts = [instrument.kind.value, instrument.maker, instrument.model, instrument.serial]
    head.append("  " + ", ".join(fact for fact in facts if fact))
    lines = [*head, ""]
    areas = list(dict.fromkeys(item.area for item in items))
    for area in areas:
        lines.append(area)
        for item in items:
            if item.area == area:
                lines += _item_lines(item)
        lines.append("")
    open_count = sum(item.state is ItemState.OPEN for item in items)
    minutes = sum(item.minutes or 0 for item in items)
    lines.append(f"{open_count} open, {len(items) - open_count} done; {minutes} minutes noted")
    if items:
        lines += ["", *textwrap.wrap(load_advice().defer, WIDTH)]
    return "\n".join(lines) + "\n"


def _item_lines(item: WorksheetItem) -> list[str]:
    box = "[x]" if item.state is ItemState.DONE else "[ ]"
    key = "" if item.midi is None else f"{note_name(item.midi)}: "
    text = f"{key}{item.finding}" or item.action
    lines = _fold(f"  {box} {item.id:>4}  {text}")
    if item.action and text != item.action:
        lines += _fold(f"            -> {item.action}")
    if item.note:
        lines += _fold(f"            {item.note}")
    if item.minutes is not None:
        lines.append(f"            {item.minutes} min")
    return lines


def _fold(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * 12) or [""]
