"""What do the keys weigh, and how deep do they go?

Down weight and up weight in grams give the friction (their half difference) and the balance
weight (their mean); key dip in millimetres. One set is one sitting, so that before and after stand
beside one another. Entered one by one or as a table.

Classes and functions: `HandSets`, `parse_hand_table`, `hand_csv`, `hand_text`.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from toneapp.errors import InputError
from toneapp.keyboard import HIGHEST_MIDI, LOWEST_MIDI
from toneapp.library.database import Database
from toneapp.library.reading import checked
from toneapp.library.rows import HandSet, KeyMeasurement
from toneapp.library.runs import checked_time
from toneapp.library.writer import Writer, new_uid, now_text
from toneapp.pitch import note_name, parse_note
from toneapp.wording import quantity_text

__all__ = ["HandSets", "hand_csv", "hand_text", "parse_hand_table"]

HEAVIEST_G = 300.0
DEEPEST_MM = 25.0
"""No key of a piano weighs or dips more (common practice, no source)."""

_COLUMNS = {
    "down_weight_g": ("down_weight_g", "down weight (g)", "down (g)", "down weight", "down"),
    "up_weight_g": ("up_weight_g", "up weight (g)", "up (g)", "up weight", "up"),
    "key_dip_mm": ("key_dip_mm", "key dip (mm)", "dip (mm)", "key dip", "dip"),
}
_HEADERS = (
    "midi", "note", "down weight (g)", "up weight (g)", "key dip (mm)", "friction (g)",
    "balance weight (g)",
)  # fmt: skip


class HandSets:
    """The hand measurements of a library."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(
        self,
        instrument_id: int,
        keys: Sequence[KeyMeasurement] = (),
        *,
        title: str = "",
        measured_at: str = "",
        note: str = "",
    ) -> HandSet:
        """Begin a set.

        Raises
        ------
        InputError
            If a value cannot be.
        """
        for key in keys:
            check_key(key)
        when = checked_time(measured_at) or now_text()
        with self._database.writing(f"add weights {title}".strip()) as writer:
            set_id = writer.insert(
                "hand_set",
                {
                    "uid": new_uid(),
                    "instrument_id": instrument_id,
                    "title": title.strip(),
                    "measured_at": when,
                    "note": note.strip(),
                },
            )
            for key in keys:
                _put(writer, set_id, key)
        return self.get(set_id)

    def put(self, set_id: int, keys: Sequence[KeyMeasurement]) -> HandSet:
        """Enter keys into a set; a key that is there is replaced.

        Raises
        ------
        InputError
            If a value cannot be or there is no such set.
        """
        for key in keys:
            check_key(key)
        with self._database.writing("enter weights") as writer:
            if writer.row("hand_set", set_id) is None:
                raise InputError(f"there is no set of weights {set_id}; look at the list of them")
            for key in keys:
                _put(writer, set_id, key)
        return self.get(set_id)

    def get(self, set_id: int) -> HandSet:
        """Return one set.

        Raises
        ------
        InputError
            If there is none of that number.
        """
        found = self._read("id = ?", set_id)
        if not found:
            raise InputError(f"there is no set of weights {set_id}; look at the list of them")
        return found[0]

    def of_instrument(self, instrument_id: int) -> tuple[HandSet, ...]:
        """Return the sets of an instrument by time."""
        return self._read("deleted_at IS NULL AND instrument_id = ?", instrument_id)

    def remove(self, hand_set: HandSet) -> None:
        """Lay a set in the bin.

        Raises
        ------
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        with self._database.writing("weights to the bin") as writer:
            writer.update(
                "hand_set", hand_set.id, {"deleted_at": now_text()}, version=hand_set.version
            )

    def _read(self, condition: str, value: int) -> tuple[HandSet, ...]:
        with self._database.reading() as connection:
            sets = connection.execute(
                f"SELECT * FROM hand_set WHERE {condition} ORDER BY measured_at, id", (value,)
            ).fetchall()
            return tuple(
                checked(
                    lambda row=row: HandSet(  # type: ignore[misc]  # bound at once
                        keys=tuple(
                            KeyMeasurement(
                                midi=key["midi"],
                                down_weight_g=key["down_weight_g"],
                                up_weight_g=key["up_weight_g"],
                                key_dip_mm=key["key_dip_mm"],
                            )
                            for key in connection.execute(
                                "SELECT * FROM hand_value WHERE set_id = ? ORDER BY midi",
                                (row["id"],),
                            )
                        ),
                        **dict(row),
                    ),
                    "the weights",
                )
                for row in sets
            )


def check_key(key: KeyMeasurement) -> None:
    """Refuse a measurement that no key gives.

    Raises
    ------
    InputError
        With the key in its sentence.
    """
    if not LOWEST_MIDI <= key.midi <= HIGHEST_MIDI:
        raise InputError(f"{key.midi} is not a key from C0 to C9; name another note")
    name = note_name(key.midi)
    down, up, dip = key.down_weight_g, key.up_weight_g, key.key_dip_mm
    for weight_g in (down, up):
        if weight_g is not None and not 0.0 <= weight_g <= HEAVIEST_G:
            raise InputError(f"{weight_g:g} g at {name} cannot be; give grams from 0 to 300")
    if dip is not None and not 0.0 < dip <= DEEPEST_MM:
        raise InputError(f"a key dip of {dip:g} mm at {name} cannot be; give millimetres up to 25")
    if down is not None and up is not None and up > down:
        raise InputError(
            f"the up weight at {name} ({up:g} g) is larger than the down weight ({down:g} g); "
            "were they exchanged?"
        )


def parse_hand_table(text: str) -> tuple[KeyMeasurement, ...]:
    """Read a table of hand measurements.

    Parameters
    ----------
    text : str
        A header line with ``note`` (or ``midi``) and any of ``down weight (g)``, ``up weight
        (g)``, ``key dip (mm)``; commas, semicolons or tabs between the cells. With semicolons or
        tabs a decimal comma is understood. An empty cell is not measured.

    Returns
    -------
    tuple of KeyMeasurement
        Upward.

    Raises
    ------
    InputError
        With the line in its sentence.
    """
    lines = text.lstrip("\ufeff").splitlines()
    head = next((line for line in lines if line.strip()), "")
    delimiter = next((sign for sign in (";", "\t") if sign in head), ",")
    try:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter))
    except csv.Error as exc:
        raise InputError(f"the table of weights cannot be read ({exc}); save it as CSV") from exc
    rows = [row for row in rows if any(cell.strip() for cell in row)]
    if not rows:
        raise InputError("the table of weights is empty; give a header line and a line a key")
    header = [cell.strip().lower() for cell in rows[0]]
    places = {
        name: next((header.index(word) for word in words if word in header), None)
        for name, words in _COLUMNS.items()
    }
    if not {"note", "midi"} & set(header) or not any(p is not None for p in places.values()):
        raise InputError(
            "the table of weights needs a header line with note and down weight (g), up weight "
            "(g) or key dip (mm)"
        )
    keys: dict[int, KeyMeasurement] = {}
    for number, row in enumerate(rows[1:], 2):
        cells = [cell.strip() for cell in row] + [""] * (len(header) - len(row))
        midi = _key_of(header, cells, number)
        if midi in keys:
            raise InputError(
                f"line {number} of the weights names {note_name(midi)} again; once only"
            )
        values = {
            name: None if place is None else _number(cells[place], delimiter, number)
            for name, place in places.items()
        }
        keys[midi] = KeyMeasurement(midi=midi, **values)
        try:
            check_key(keys[midi])
        except InputError as exc:
            raise InputError(f"line {number} of the weights: {exc}") from exc
    return tuple(keys[midi] for midi in sorted(keys))


def hand_csv(hand_set: HandSet) -> bytes:
    """Write a set as a table that `parse_hand_table` reads, with friction and balance weight."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(_HEADERS)
    for key in hand_set.keys:
        values = (
            key.down_weight_g, key.up_weight_g, key.key_dip_mm, key.friction_g,
            key.balance_weight_g,
        )  # fmt: skip
        cells = ["" if value is None else f"{round(value, 3):g}" for value in values]
        writer.writerow([key.midi, note_name(key.midi), *cells])
    return text.getvalue().encode("ascii")


def hand_text(hand_set: HandSet) -> str:
    """Write a set for the terminal."""
    title = hand_set.title or "without a title"
    lines = [f"Weights {hand_set.id}: {title}, {hand_set.measured_at[:10]}"]
    lines.append(f"  {'key':<5}{'down':>9}{'up':>9}{'friction':>11}{'balance':>10}{'dip':>10}")
    for key in hand_set.keys:
        cells = (
            (key.down_weight_g, "g", 9), (key.up_weight_g, "g", 9), (key.friction_g, "g", 11),
            (key.balance_weight_g, "g", 10), (key.key_dip_mm, "mm", 10),
        )  # fmt: skip
        lines.append(
            f"  {note_name(key.midi):<5}"
            + "".join(
                f"{'-' if value is None else quantity_text(value, unit):>{width}}"
                for value, unit, width in cells
            )
        )
    return "\n".join(lines) + "\n"


def _put(writer: Writer, set_id: int, key: KeyMeasurement) -> None:
    values = {
        "down_weight_g": key.down_weight_g,
        "up_weight_g": key.up_weight_g,
        "key_dip_mm": key.key_dip_mm,
    }
    row = writer.connection.execute(
        "SELECT id FROM hand_value WHERE set_id = ? AND midi = ?", (set_id, key.midi)
    ).fetchone()
    if row is None:
        writer.insert("hand_value", values | {"set_id": set_id, "midi": key.midi})
    else:
        writer.update("hand_value", row["id"], values)


def _key_of(header: list[str], cells: list[str], number: int) -> int:
    try:
        if "note" in header and cells[header.index("note")]:
            return parse_note(cells[header.index("note")])
        return int(cells[header.index("midi")])
    except ValueError as exc:
        raise InputError(f"line {number} of the weights names no key (such as A0); {exc}") from exc


def _number(cell: str, delimiter: str, line: int) -> float | None:
    if not cell or cell == "-":
        return None
    try:
        value = float(cell if delimiter == "," else cell.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(
            f"line {line} of the weights: {cell!r} is not a number; leave it empty or correct it"
        )
    return value
