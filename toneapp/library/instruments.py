"""Which instruments are in the library?

Classes: `Instruments`.
"""

from __future__ import annotations

from dataclasses import replace

from toneapp.errors import InputError
from toneapp.library.database import Database
from toneapp.library.reading import instrument_values, read_instrument
from toneapp.library.rows import Instrument
from toneapp.library.writer import new_uid, now_text

__all__ = ["Instruments"]


class Instruments:
    """The instruments of a library."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, instrument: Instrument) -> Instrument:
        """Add an instrument (its `id` and `uid` are given here).

        Raises
        ------
        InputError
            If a value cannot be.
        """
        values = instrument_values(instrument)
        now = now_text()
        with self._database.writing(f"add instrument {instrument.name}") as writer:
            values |= {"uid": new_uid(), "created_at": now, "changed_at": now}
            row_id = writer.insert("instrument", values)
        return self.get(row_id)

    def change(self, instrument: Instrument) -> Instrument:
        """Write an instrument that was read before and replaced in parts.

        Raises
        ------
        InputError
            If a value cannot be.
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        values = instrument_values(instrument) | {"changed_at": now_text()}
        with self._database.writing(f"change instrument {instrument.name}") as writer:
            writer.update("instrument", instrument.id, values, version=instrument.version)
        return self.get(instrument.id)

    def get(self, instrument_id: int) -> Instrument:
        """Return one instrument, also one in the bin.

        Raises
        ------
        InputError
            If there is none of that number.
        """
        with self._database.reading() as connection:
            row = connection.execute(
                "SELECT * FROM instrument WHERE id = ?", (instrument_id,)
            ).fetchone()
        if row is None:
            raise InputError(
                f"there is no instrument {instrument_id} in the library; look at the list of them"
            )
        return read_instrument(row)

    def all(self) -> tuple[Instrument, ...]:
        """Return all instruments that are not in the bin, by name."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT * FROM instrument WHERE deleted_at IS NULL ORDER BY search_text, id"
            ).fetchall()
        return tuple(sorted(map(read_instrument, rows), key=lambda i: (i.name.casefold(), i.id)))

    def find(self, words: str) -> Instrument:
        """Return the one instrument that a person means by its number or name.

        Raises
        ------
        InputError
            If there is none, or more than one.
        """
        if words.strip().isascii() and words.strip().isdigit():
            found = self.get(min(int(words.strip()), 2**63 - 1))
            if found.deleted_at is not None:
                raise InputError(f"instrument {found.id} is in the bin; restore it first")
            return found
        all_of_them = self.all()
        wanted = words.strip().casefold()
        fitting = [i for i in all_of_them if i.name.casefold() == wanted]
        fitting = fitting or [i for i in all_of_them if wanted and wanted in i.name.casefold()]
        if not fitting:
            raise InputError(f"no instrument is called {words!r}; look at the list of them")
        if len(fitting) > 1:
            numbers = ", ".join(f"{i.id} ({i.name})" for i in fitting[:5])
            raise InputError(f"{words!r} can mean several instruments; say a number: {numbers}")
        return fitting[0]

    def remove(self, instrument: Instrument) -> Instrument:
        """Lay an instrument with all its runs in the bin.

        Raises
        ------
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        now = now_text()
        with self._database.writing(f"instrument {instrument.name} to the bin") as writer:
            writer.update(
                "instrument", instrument.id, {"deleted_at": now}, version=instrument.version
            )
        return replace(instrument, deleted_at=now, version=instrument.version + 1)
