"""The library as other parts of the program use it.

`Library` joins the data base, the sounds and what is done with them. It may be used from any
thread: each has a connection of its own. Long work (taking sound in, measuring, archives) takes
`progress`, and what `progress` raises stops it without harm.

Classes: `Library`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from toneapp.errors import InputError, LibraryError
from toneapp.library.archive import export_archive
from toneapp.library.archive_in import (
    ArchiveView,
    OnDuplicate,
    import_archive,
    look_into_archive,
)
from toneapp.library.bin import Bin
from toneapp.library.comparing import BeforeAfter, RunOfInstrument, compare_before_after
from toneapp.library.comparing_instruments import InstrumentsComparison, compare_instruments
from toneapp.library.database import BUSY_S, Database
from toneapp.library.export import library_json, library_tables
from toneapp.library.hand import HandSets
from toneapp.library.history import History
from toneapp.library.instruments import Instruments
from toneapp.library.measuring import Measuring
from toneapp.library.place import default_folder
from toneapp.library.rows import Run, SearchHit, WorksheetItem
from toneapp.library.runs import Runs
from toneapp.library.search import search_library
from toneapp.library.sound_store import SoundStore, sha256_of
from toneapp.library.strikes import Strikes
from toneapp.library.templates import Template, load_templates
from toneapp.library.worklists import Worklist, Worklists
from toneapp.library.worksheets import Worksheets
from toneapp.library.writer import Change
from toneapp.saving import write_atomically

__all__ = ["Leftover", "Library"]

RECENT_S = 600.0
"""A sound without a row that is younger may be about to get one from another program."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Leftover:
    """A sound that was taken in, but whose run was not written before the program ended."""

    path: Path
    bytes: int


class Library:
    """One library: a folder with the data base and the sounds.

    Parameters
    ----------
    folder : str or Path, optional
        The folder; `default_folder` without it.
    can_create : bool
        Make the library when there is none.
    busy_s : float
        How long to wait when another program is writing, in seconds.

    Attributes
    ----------
    folder : Path
    instruments : Instruments
    runs : Runs
    measuring : Measuring
    strikes : Strikes
    worksheets : Worksheets
    worklists : Worklists
    weights : HandSets
    bin : Bin
    history : History

    Raises
    ------
    LibraryError
        If the library is missing, damaged, too new, busy, or its disk fails.
    """

    def __init__(
        self,
        folder: str | Path | None = None,
        *,
        can_create: bool = True,
        busy_s: float = BUSY_S,
    ) -> None:
        self.folder = default_folder() if folder is None else Path(folder).absolute()
        self._database = Database(self.folder, can_create=can_create, busy_s=busy_s)
        try:
            self._store = SoundStore(self.folder)
            self.instruments = Instruments(self._database)
            self.runs = Runs(self._database, self._store)
            self.measuring = Measuring(self._database, self._store)
            self.strikes = Strikes(self._database)
            self.worksheets = Worksheets(self._database)
            self.worklists = Worklists(self._database)
            self.weights = HandSets(self._database)
            self.bin = Bin(self._database, self._store)
            self.history = History(self._database)
            self._store.remove_stale()
            self.bin.remove_doomed()
        except BaseException:
            self._database.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the data base in all threads."""
        self._database.close()

    @property
    def copy_made(self) -> Path | None:
        """Copy of an older library that was made at this opening, before it was changed."""
        return self._database.copy_made

    def subscribe(self, listener: Callable[[Change], None]) -> Callable[[], None]:
        """Call `listener` after each committed change of this `Library`, in the changing thread.

        Returns
        -------
        callable
            Ends the subscription.
        """
        return self._database.subscribe(listener)

    def data_version(self) -> int:
        """Give a number, for this thread, that differs once another program has written."""
        return self._database.data_version()

    def search(self, words: str) -> tuple[SearchHit, ...]:
        """Find instruments and runs by words; see `search_library`."""
        return search_library(self._database, words)

    def templates(self) -> dict[str, Template]:
        """Return the templates of worksheets by name, with the person's own of this library."""
        return load_templates(self.folder)

    def run_with_result(
        self, run_id: int, *, as_recorded: bool = False, with_partials: bool = True
    ) -> RunOfInstrument:
        """Return a measured run with its facts; parameters as in `Measuring.result`.

        Raises
        ------
        InputError
            If there is no such run or it was not measured yet.
        """
        run = self.runs.get(run_id)
        result = self.measuring.result(
            run_id, as_recorded=as_recorded, with_partials=with_partials
        )
        if result is None:
            raise InputError(f"run {run_id} was not measured yet; measure it first")
        instrument = self.instruments.get(run.instrument_id)
        return RunOfInstrument(instrument=instrument, run=run, result=result)

    def worklist(self, run_id: int) -> Worklist:
        """Return what is to be done after a run, with its ticks."""
        item = self.run_with_result(run_id, with_partials=False)
        return self.worklists.of_run(run_id, item.result, item.run.purpose)

    def raise_items(self, run_id: int) -> tuple[WorksheetItem, ...]:
        """Add what a run raises to the worksheet of its instrument; returns the items added."""
        run = self.runs.get(run_id)
        entries = self.worklist(run_id).entries
        return self.worksheets.raise_items(run.instrument_id, run.uid, entries)

    def compare_before_after(self, before_id: int, after_id: int) -> BeforeAfter:
        """Compare two runs of one instrument; see `comparing`."""
        return compare_before_after(
            self.run_with_result(before_id, with_partials=False),
            self.run_with_result(after_id, with_partials=False),
        )

    def compare_instruments(self, run_ids: Sequence[int]) -> InstrumentsComparison:
        """Compare 2 to 6 runs; see `comparing`."""
        return compare_instruments(
            [self.run_with_result(run_id, with_partials=False) for run_id in run_ids]
        )

    def export_archive(
        self,
        path: str | Path,
        *,
        instrument_ids: Sequence[int] | None = None,
        progress: Callable[[float], None] | None = None,
    ) -> int:
        """Write instruments with sound and results into one file; see `archive`."""
        return export_archive(
            self._database,
            self._store,
            Path(path),
            instrument_ids=instrument_ids,
            progress=progress,
        )

    def look_into_archive(self, path: str | Path) -> ArchiveView:
        """Tell what an archive holds, before it is taken in."""
        return look_into_archive(self._database, Path(path))

    def import_archive(
        self,
        path: str | Path,
        *,
        on_duplicate: OnDuplicate = OnDuplicate.REFUSE,
        progress: Callable[[float], None] | None = None,
    ) -> tuple[int, ...]:
        """Take an archive in, whole or not at all; see `archive_in`."""
        return import_archive(
            self._database,
            self._store,
            Path(path),
            on_duplicate=on_duplicate,
            progress=progress,
        )

    def export_json(self) -> bytes:
        """Return all rows and measured values as JSON text."""
        return library_json(self._database)

    def export_tables(self, folder: str | Path) -> tuple[Path, ...]:
        """Write one CSV table a subject into a folder; returns the files.

        Raises
        ------
        OutputError
            If one cannot be written.
        """
        paths = []
        for name, content in library_tables(self._database).items():
            paths.append(Path(folder) / name)
            write_atomically(paths[-1], content)
        return tuple(paths)

    def check(
        self, *, is_thorough: bool = True, progress: Callable[[float], None] | None = None
    ) -> tuple[str, ...]:
        """Look for damage of the data base and of the sounds.

        Parameters
        ----------
        is_thorough : bool
            Read everything, each sound against its hash; else only what every opening looks at,
            and that no sound is missing.
        progress : callable, optional
            Called with the share done, 0 to 1.

        Returns
        -------
        tuple of str
            One sentence each; empty when all is well.
        """
        report = progress or (lambda _share: None)
        found = list(self._database.faults(is_thorough=is_thorough))
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT sha256, bytes, name FROM recording GROUP BY sha256 ORDER BY id"
            ).fetchall()
        for number, row in enumerate(rows):
            path = self._store.path_of(row["sha256"])
            if not path.is_file():
                found.append(f"the sound of {row['name']} is missing ({path.name})")
            elif is_thorough and sha256_of(path)[0] != row["sha256"]:
                found.append(f"the sound of {row['name']} has changed on the disk ({path.name})")
            report((number + 1) / len(rows))
        return tuple(found)

    def leftovers(self, *, older_than_s: float = RECENT_S) -> tuple[Leftover, ...]:
        """Return sounds that no run has, left by a program that ended before it was done."""
        files = self._store.files()
        with self._database.reading() as connection:
            known = {row[0] for row in connection.execute("SELECT sha256 FROM recording")}
        now = time.time()
        found = []
        for sha256, path in sorted(files.items()):
            if sha256 in known:
                continue
            try:
                facts = path.stat()
            except FileNotFoundError:
                continue
            if now - facts.st_mtime >= older_than_s:
                found.append(Leftover(path=path, bytes=facts.st_size))
        return tuple(found)

    def adopt_leftover(self, leftover: Leftover, run: Run) -> Run:
        """Make a run of a sound that was left over."""
        return self.runs.add(run, leftover.path)

    def remove_leftovers(self, leftovers: Sequence[Leftover]) -> int:
        """Remove sounds that were left over, unless a run has them by now; ask first.

        Returns
        -------
        int
            How many were removed.
        """
        for item in leftovers:
            if item.path.parent != self._store.folder:
                raise LibraryError(f"{item.path} is no sound of this library; nothing was removed")
        with self._database.writing("remove leftovers", can_undo=False) as writer:
            writer.connection.executemany(
                "INSERT OR IGNORE INTO doomed_audio (sha256) VALUES (?)",
                [(item.path.stem,) for item in leftovers],
            )
        return self.bin.remove_doomed()
