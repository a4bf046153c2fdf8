"""How is a run measured, from the sound that the library keeps, and what is its result now?

The measuring itself comes in from outside, as a function (`Analyse`). A result is kept with the
version of the measures and the settings it was made with, one for each version; it can always be
made again.

What a person said about strikes counts at once where that needs no new measurement (a discarded
strike), and otherwise leaves the strike out until the run is measured again (another key).

Classes and functions: `Measuring`, `Analyse`, `take_source`.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from toneapp.errors import InputError
from toneapp.interchange import run_to_bytes
from toneapp.keyboard import KeyboardLayout
from toneapp.library.database import Database
from toneapp.library.edited import edit_of, edited_strikes, is_measuring_due, judged_again
from toneapp.library.faults import LibraryConflict
from toneapp.library.reading import read_instrument, read_run
from toneapp.library.rows import (
    Instrument,
    Run,
    RunFigures,
    StrikeEdit,
    StrikeLabel,
    Take,
)
from toneapp.library.sound_store import SoundStore
from toneapp.library.stored_results import settings_text, stored_result, write_result
from toneapp.library.takes import RESULT_FACTS, edits_of, latest_result, takes_of
from toneapp.results import MEASURES_VERSION, RunResult, StrikeResult

__all__ = ["Analyse", "Measuring", "take_source"]


class Analyse(Protocol):
    """What measures a recording or a folder of them."""

    def __call__(
        self,
        path: Path,
        *,
        layout: KeyboardLayout,
        a4_hz: float,
        order: str | None,
        labels: Sequence[StrikeLabel],
        channel: str,
        calibration_db: float | None,
        progress: Callable[[float], None],
    ) -> RunResult:
        """Measure every note; see `toneapp.analysis.analyse`."""


class Measuring:
    """The measured results of a library."""

    def __init__(self, database: Database, store: SoundStore) -> None:
        self._database = database
        self._store = store

    def measure(
        self,
        run_id: int,
        analyse: Analyse,
        *,
        progress: Callable[[float], None] | None = None,
    ) -> RunResult:
        """Measure a run, and its notes recorded again, from the sound in the library.

        Parameters
        ----------
        run_id : int
            Number of the run.
        analyse : Analyse
            Measures one recording.
        progress : callable, optional
            Called with the share done, 0 to 1; what it raises (`Cancelled`) stops the work, and
            the earlier results stay.

        Returns
        -------
        RunResult
            As `result` gives it.

        Raises
        ------
        NothingFoundError
            If the recording holds no strike.
        LibraryConflict
            If the run was removed for good meanwhile.
        """
        report = progress or (lambda _share: None)
        instrument, run, takes = self._facts(run_id)
        due = [take for take in takes if take.deleted_at is None]
        for number, take in enumerate(due):

            def part(share: float, number: int = number) -> None:
                report((number + share) / len(due))

            self._measure_take(instrument, run, take, analyse, part)
        found = self.result(run_id)
        assert found is not None  # just measured
        return found

    def put_result(self, take_id: int, result: RunResult) -> None:
        """Keep a result that was measured elsewhere with the present settings (a live recording).

        Raises
        ------
        LibraryConflict
            If the take is no longer there.
        """
        with self._database.reading() as connection:
            row = connection.execute("SELECT run_id FROM take WHERE id = ?", (take_id,)).fetchone()
        if row is None:
            raise LibraryConflict("the recording is no longer in the library; nothing was kept")
        instrument, run, takes = self._facts(row["run_id"])
        take = next(item for item in takes if item.id == take_id)
        with self._database.reading() as connection:
            edits = edits_of(connection, take_id)
        self._keep(take, result, settings_text(instrument, run, edits))

    def result(
        self, run_id: int, *, as_recorded: bool = False, with_partials: bool = True
    ) -> RunResult | None:
        """Return what is known of a run.

        Parameters
        ----------
        run_id : int
            Number of the run.
        as_recorded : bool
            Leave out what a person said about strikes, and notes recorded again.
        with_partials : bool
            Without the tables of partials, which are most of a result, it is there sooner.

        Returns
        -------
        RunResult or None
            None when the run was not measured yet.

        Raises
        ------
        LibraryError
            If the stored result is damaged; it can be measured again.
        """
        instrument, _, takes = self._facts(run_id)
        with self._database.reading() as connection:
            whole = (
                stored_result(connection, takes[0].id, with_partials=with_partials)
                if takes
                else None
            )
            if whole is None:
                return None
            result, settings = whole
            if as_recorded:
                return result
            strikes, problems = edited_strikes(result, settings, edits_of(connection, takes[0].id))
            is_changed = strikes != result.strikes
            for take in takes[1:]:
                again = (
                    stored_result(connection, take.id, with_partials=with_partials)
                    if _counts(take)
                    else None
                )
                if again is None:
                    continue
                fresh, more = edited_strikes(*again, edits_of(connection, take.id))
                problems += more
                renewed = {strike.midi for strike in fresh}
                has_parts = len(take.recordings) > 1
                strikes = tuple(s for s in strikes if s.midi not in renewed) + tuple(
                    replace(
                        strike, source=take_source(take.number, strike.source if has_parts else "")
                    )
                    for strike in fresh
                )
                is_changed = is_changed or bool(fresh)
        if not is_changed:
            return replace(result, problems=result.problems + problems) if problems else result
        return judged_again(result, strikes, problems, instrument.layout())

    def take_result(self, take_id: int) -> RunResult | None:
        """Return what was measured of one take by itself; None when it was not measured yet."""
        with self._database.reading() as connection:
            found = stored_result(connection, take_id)
        return None if found is None else found[0]

    def note_history(
        self, run_id: int, midi: int
    ) -> tuple[tuple[Take, tuple[StrikeResult, ...]], ...]:
        """Return all blows on one key of a run, take by take, in the order of recording."""
        _, _, takes = self._facts(run_id)
        found = []
        for take in takes:
            result = self.take_result(take.id)
            strikes = () if result is None else result.strikes
            own = tuple(strike for strike in strikes if strike.midi == midi)
            if own:
                found.append((take, own))
        return tuple(found)

    def figures(self, run_ids: Sequence[int]) -> dict[int, RunFigures]:
        """Return the figures of measured runs, quickly, for a list of runs."""
        found: dict[int, RunFigures] = {}
        with self._database.reading() as connection:
            for run_id in run_ids:
                take = connection.execute(
                    "SELECT id FROM take WHERE run_id = ? AND kind = 'run' LIMIT 1", (run_id,)
                ).fetchone()
                row = (
                    None
                    if take is None
                    else latest_result(connection, take["id"], has_content=False)
                )
                if row is None:
                    continue
                run = connection.execute("SELECT * FROM run WHERE id = ?", (run_id,)).fetchone()
                instrument = connection.execute(
                    "SELECT * FROM instrument WHERE id = ?", (run["instrument_id"],)
                ).fetchone()
                wanted = settings_text(
                    read_instrument(instrument), read_run(run), edits_of(connection, take["id"])
                )
                found[run_id] = RunFigures(
                    is_current=row["measures_version"] == MEASURES_VERSION
                    and row["settings"] == wanted,
                    **{name: row[name] for name in RESULT_FACTS},
                )  # fmt: skip
        return found

    def is_due(self, run_id: int) -> bool:
        """Tell whether what was said about strikes of a run waits for another measurement."""
        _, _, takes = self._facts(run_id)
        with self._database.reading() as connection:
            for take in takes:
                row = latest_result(connection, take.id, has_content=False)
                if row is not None and is_measuring_due(
                    row["settings"], edits_of(connection, take.id)
                ):
                    return True
        return False

    def _facts(self, run_id: int) -> tuple[Instrument, Run, tuple[Take, ...]]:
        with self._database.reading() as connection:
            row = connection.execute("SELECT * FROM run WHERE id = ?", (run_id,)).fetchone()
            if row is None:
                raise InputError(
                    f"there is no run {run_id} in the library; look at the list of them"
                )
            run = read_run(row)
            instrument = connection.execute(
                "SELECT * FROM instrument WHERE id = ?", (run.instrument_id,)
            ).fetchone()
            return read_instrument(instrument), run, takes_of(connection, run_id)

    def _measure_take(
        self,
        instrument: Instrument,
        run: Run,
        take: Take,
        analyse: Analyse,
        progress: Callable[[float], None],
    ) -> None:
        with self._database.reading() as connection:
            edits = edits_of(connection, take.id)
        scale_db = max(
            (20.0 * math.log10(recording.scale) for recording in take.recordings), default=0.0
        )
        calibration_db = run.calibration_db
        options: dict[str, Any] = {
            "layout": instrument.layout(),
            "a4_hz": instrument.a4_hz,
            "order": run.note_order if take.kind == "run" else "free",
            "channel": run.channel,
            # The file of the library has its full scale higher by what the samples were divided.
            "calibration_db": None if calibration_db is None else calibration_db + scale_db,
        }
        with self._store.as_files(take.recordings) as path:
            if path.is_file():
                labels = [edit.label() for edit in edits]
                result = analyse(path, labels=labels, progress=progress, **options)
            else:
                result = analyse(path, labels=[], progress=progress, **options)
                result = _with_parts_again(result, path, edits, analyse, options)
        problems = [text for recording in take.recordings for text in recording.problems]
        if scale_db > 0.0 and calibration_db is None:
            problems.append(
                f"the recording went beyond full scale: its levels are given relative to "
                f"{scale_db:.2f} dB above it"
            )
        name = take.recordings[0].name if len(take.recordings) == 1 else f"run {run.id}"
        result = replace(
            result, source=name, problems=tuple(dict.fromkeys((*result.problems, *problems)))
        )
        self._keep(take, result, settings_text(instrument, run, edits))

    def _keep(self, take: Take, result: RunResult, settings: str) -> None:
        content = zlib.compress(run_to_bytes(result), 6)
        with self._database.writing("measure", can_undo=False) as writer:
            if writer.row("take", take.id) is None:
                raise LibraryConflict(
                    "the run was removed from the library while it was measured; its result was "
                    "not kept"
                )
            write_result(writer, take, result, settings, content)


def take_source(number: int, part: str = "") -> str:
    """Name where a note that was recorded again lies.

    Parameters
    ----------
    number : int
        Of the take within its run.
    part : str
        File of the take when it has several.

    Examples
    --------
    >>> take_source(2), take_source(3, "0001 b.flac")
    ('take 2', 'take 3, 0001 b.flac')
    """
    return f"take {number}, {part}" if part else f"take {number}"


def _counts(take: Take) -> bool:
    return take.replaces and take.deleted_at is None


def _with_parts_again(
    result: RunResult,
    folder: Path,
    edits: Sequence[StrikeEdit],
    analyse: Analyse,
    options: dict[str, Any],
) -> RunResult:
    """Measure those files of a take again whose strikes a person has named."""
    strikes = list(result.strikes)
    for part in sorted({edit.part for edit in edits}):
        path = folder / part
        if not path.is_file():
            continue
        labels = [edit.label() for edit in edits if edit.part == part]
        strikes = [strike for strike in strikes if strike.source != part]
        if any(label.midi is not None for label in labels):
            fresh = analyse(path, labels=labels, progress=lambda _share: None, **options)
            strikes += [replace(strike, source=part) for strike in fresh.strikes]
        else:
            strikes += [s for s in result.strikes if s.source == part and not edit_of(s, edits)]
    if tuple(strikes) == result.strikes:
        return result
    return judged_again(result, tuple(strikes), (), options["layout"])
