"""Which runs are in the library, and how do new ones come in?

The sound is kept before anything is measured: a run that was taken in is safe, measured or not.

Classes: `Runs`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from toneapp.audio import list_sound_files
from toneapp.errors import InputError
from toneapp.library.database import Database
from toneapp.library.faults import LibraryConflict
from toneapp.library.reading import read_run, run_values
from toneapp.library.rows import Recording, Run, Take
from toneapp.library.sound_store import NewSound, SoundStore
from toneapp.library.takes import add_take, takes_of
from toneapp.library.writer import new_uid, now_text

__all__ = ["Runs"]


class Runs:
    """The runs of a library."""

    def __init__(self, database: Database, store: SoundStore) -> None:
        self._database = database
        self._store = store

    def add(
        self,
        run: Run,
        sound: Path,
        *,
        progress: Callable[[float], None] | None = None,
    ) -> Run:
        """Take a recorded run in.

        Parameters
        ----------
        run : Run
            Its facts; `id` and `uid` are given here.
        sound : Path
            One recording, or a folder with one recording a note.
        progress : callable, optional
            Called with the share done, 0 to 1; what it raises stops the work.

        Returns
        -------
        Run
            As it stands in the library, not measured yet.

        Raises
        ------
        AudioFileError
            If the sound cannot be read.
        InputError
            If a fact cannot be, or the instrument is missing.
        LibraryError
            If the library cannot be written; nothing of the run is there then.
        """
        now = now_text()
        run = replace(run, recorded_at=checked_time(run.recorded_at) or now)
        values = run_values(run)
        self._check_instrument(run.instrument_id)
        with self._taken_in(_sound_files(sound), progress) as sounds:  # noqa: SIM117 -- two steps
            with self._database.writing("add run", can_undo=False) as writer:
                values |= {
                    "uid": new_uid(),
                    "instrument_id": run.instrument_id,
                    "created_at": now,
                    "changed_at": now,
                }
                run_id = writer.insert("run", values)
                add_take(
                    writer,
                    self._store,
                    sounds,
                    run_id=run_id,
                    recorded_at=run.recorded_at,
                    is_whole_run=True,
                )
        return self.get(run_id)

    def add_take(
        self,
        run: Run,
        sound: Path,
        *,
        replaces: bool,
        note: str = "",
        recorded_at: str = "",
        progress: Callable[[float], None] | None = None,
    ) -> Take:
        """Take in notes of a run that were recorded again.

        Parameters
        ----------
        run : Run
            The run they belong to.
        sound : Path
            One recording, or a folder of them.
        replaces : bool
            True when the earlier blows were bad: the new ones count in their place. False when
            the note was recorded again while it was worked on: it stands beside the run.
        note : str
            What was done before it.
        recorded_at : str
            ISO 8601; now, when empty.
        progress : callable, optional
            As in `add`.

        Returns
        -------
        Take
            Not measured yet.
        """
        when = checked_time(recorded_at) or now_text()
        with self._taken_in(_sound_files(sound), progress) as sounds:  # noqa: SIM117 -- two steps
            with self._database.writing("record notes again", can_undo=False) as writer:
                if writer.row("run", run.id) is None:
                    raise LibraryConflict(
                        f"run {run.id} is no longer in the library, so the notes were not added"
                    )
                take_id = add_take(
                    writer,
                    self._store,
                    sounds,
                    run_id=run.id,
                    recorded_at=when,
                    is_whole_run=False,
                    replaces=replaces,
                    note=note,
                )
        return next(take for take in self.takes(run.id) if take.id == take_id)

    def change(self, run: Run) -> Run:
        """Write the facts of a run that was read before and replaced in parts.

        Raises
        ------
        InputError
            If a fact cannot be.
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        run = replace(run, recorded_at=checked_time(run.recorded_at))
        values = run_values(run) | {"changed_at": now_text()}
        self._check_instrument(run.instrument_id)
        with self._database.writing(f"change run {run.id}") as writer:
            values["instrument_id"] = run.instrument_id
            writer.update("run", run.id, values, version=run.version)
        return self.get(run.id)

    def get(self, run_id: int) -> Run:
        """Return one run, also one in the bin.

        Raises
        ------
        InputError
            If there is none of that number.
        """
        with self._database.reading() as connection:
            row = connection.execute("SELECT * FROM run WHERE id = ?", (run_id,)).fetchone()
        if row is None:
            raise InputError(f"there is no run {run_id} in the library; look at the list of them")
        return read_run(row)

    def all(self, instrument_id: int | None = None) -> tuple[Run, ...]:
        """Return the runs that are not in the bin, of one instrument or of all, by time."""
        values: tuple[int, ...] = () if instrument_id is None else (instrument_id,)
        condition = "" if instrument_id is None else " AND run.instrument_id = ?"
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT run.* FROM run JOIN instrument ON instrument.id = run.instrument_id"
                " WHERE run.deleted_at IS NULL AND instrument.deleted_at IS NULL"
                f"{condition} ORDER BY run.instrument_id, run.recorded_at, run.id",
                values,
            ).fetchall()
        return tuple(read_run(row) for row in rows)

    def takes(self, run_id: int) -> tuple[Take, ...]:
        """Return what was recorded for a run, in its order, discarded takes too."""
        with self._database.reading() as connection:
            return takes_of(connection, run_id)

    def sound_path(self, recording: Recording) -> Path:
        """Return the file of a recording, to be read and never written.

        Multiply its samples by `Recording.scale` for those that came in.
        """
        return self._store.path_of(recording.sha256)

    def remove(self, run: Run) -> Run:
        """Lay a run in the bin.

        Raises
        ------
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        with self._database.writing(f"run {run.id} to the bin") as writer:
            writer.update("run", run.id, {"deleted_at": now_text()}, version=run.version)
        return self.get(run.id)

    def discard_take(self, take: Take) -> None:
        """Lay notes that were recorded again in the bin; the run itself is removed as a run.

        Raises
        ------
        InputError
            If it is the run itself.
        LibraryConflict
            If it was changed elsewhere since it was read.
        """
        if take.kind == "run":
            raise InputError(
                "this is the recording of the whole run; lay the run in the bin instead"
            )
        with self._database.writing(
            f"take {take.number} of run {take.run_id} to the bin"
        ) as writer:
            writer.update("take", take.id, {"deleted_at": now_text()}, version=take.version)

    def _check_instrument(self, instrument_id: int) -> None:
        with self._database.reading() as connection:
            row = connection.execute(
                "SELECT deleted_at FROM instrument WHERE id = ?", (instrument_id,)
            ).fetchone()
        if row is None or row["deleted_at"] is not None:
            where = "in the bin" if row is not None else "not in the library"
            raise InputError(f"instrument {instrument_id} is {where}; name another")

    @contextlib.contextmanager
    def _taken_in(
        self, files: Sequence[Path], progress: Callable[[float], None] | None
    ) -> Iterator[list[NewSound]]:
        """Copy the sounds into the store; removed again when they are not kept."""
        report = progress or (lambda _share: None)
        sounds: list[NewSound] = []
        try:
            for number, file in enumerate(files):

                def part(share: float, number: int = number) -> None:
                    report((number + share) / len(files))

                sounds.append(self._store.take_in(file, progress=part))
            yield sounds
        finally:
            self._store.drop(sounds)  # those that were kept have another name by now


def checked_time(text: str) -> str:
    """Bring a date or a time to ISO 8601; empty stays empty.

    Raises
    ------
    InputError
        If it is neither.

    Examples
    --------
    >>> checked_time("2024-05-01")
    '2024-05-01'
    """
    text = text.strip()
    if not text:
        return ""
    try:
        datetime.fromisoformat(text)
    except ValueError as exc:
        raise InputError(
            f"{text!r} is not a date; write it like 2024-05-31 or 2024-05-31T14:30"
        ) from exc
    return text


def _sound_files(sound: Path) -> list[Path]:
    return list_sound_files(sound) if sound.is_dir() else [sound]
