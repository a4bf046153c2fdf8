"""Crashes, other programs, older and newer and damaged libraries."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import check_sentence, write_noise
from two_programs import run_both

from toneapp.errors import LibraryError, ToneappError
from toneapp.library import Instrument, Library, Run, default_folder
from toneapp.library.database import DATABASE_NAME
from toneapp.library.faults import LibraryConflict, disk_error, translated
from toneapp.library.schema import SCHEMA_VERSION, TABLES

HERE = Path(__file__).parent
STORED = HERE / "stored" / "library-schema-1.sqlite"
STORED_2 = HERE / "stored" / "library-schema-2.sqlite"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system with fork")
def test_a_program_killed_at_any_moment_loses_no_finished_run(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(HERE / "crash.py"), str(tmp_path), "15"],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    assert seen["trials"] == 15


def test_two_programs_on_one_library_lose_nothing(tmp_path: Path) -> None:
    seen = run_both(tmp_path / "library", 2.5)
    assert seen["counted"] > 0


def old_library(tmp_path: Path, stored: Path = STORED) -> Path:
    folder = tmp_path / "library"
    folder.mkdir()
    shutil.copyfile(stored, folder / DATABASE_NAME)
    return folder


def test_a_library_of_version_1_is_brought_up_to_date_with_a_copy_before(tmp_path: Path) -> None:
    folder = old_library(tmp_path)
    with Library(folder) as library:
        assert [i.name for i in library.instruments.all()] == ["Flügel", "Old upright"]
        assert [hit.id for hit in library.search("sohne GROSSE")] == [1]
        assert [hit.kind for hit in library.search("werkstatte flugel")] == ["run"]
        run = library.runs.all()[0]
        assert (run.condition, run.recorded_at) == ("before refacing", "2024-05-01T10:00")
        assert len(library.measuring.result(run.id, as_recorded=True).strikes) == 20
        assert library.worksheets.items(2)[0].finding == "grooves"
        assert library.weights.of_instrument(2)[0].keys[0].friction_g == 15.0
        copy = library.copy_made
        library.history.undo()  # an act of before the change
        assert library.strikes.of_take(1) == ()
    assert copy is not None
    assert copy.parent == folder / "copies"
    kept = sqlite3.connect(copy)
    assert kept.execute("PRAGMA user_version").fetchone() == (1,)
    assert kept.execute("SELECT count(*) FROM instrument").fetchone() == (2,)
    kept.close()
    with Library(folder) as library:
        assert library.copy_made is None
    assert len(list((folder / "copies").iterdir())) == 1


def test_a_library_of_version_2_learns_the_bounds_of_strikes(tmp_path: Path) -> None:
    with Library(old_library(tmp_path, STORED_2)) as library:
        assert library.copy_made is not None
        left_out, named = library.strikes.of_take(1)
        assert (left_out.onset_s, left_out.midi) == (2.5, None)
        assert (named.onset_s, named.midi, named.note) == (8.5, 70, "it was A sharp")
        assert {edit.exact_onset_s for edit in (left_out, named)} == {None}
        assert {edit.release_s for edit in (left_out, named)} == {None}
        # Measured with the first of the two words, as its settings say.
        assert len(library.measuring.result(1).strikes) == 10
        library.history.undo()  # an act of before the change
        assert len(library.measuring.result(1).strikes) == 11
        assert library.measuring.figures([1])[1].strikes == 11
        library.history.redo()
        library.strikes.set_bounds(1, 8.5, 70, exact_onset_s=8.6, release_s=9.5)
        assert library.strikes.of_take(1)[1].label().exact_onset_s == 8.6
        library.history.undo()
        assert [e.label() for e in library.strikes.of_take(1)] == [left_out.label(), named.label()]


@pytest.mark.parametrize("stored", [STORED, STORED_2])
def test_a_migrated_library_has_the_tables_of_a_new_one(tmp_path: Path, stored: Path) -> None:
    Library(old_library(tmp_path, stored)).close()
    Library(tmp_path / "new").close()

    def columns(folder: Path) -> dict[str, set[tuple[object, ...]]]:
        connection = sqlite3.connect(folder / DATABASE_NAME)
        found = {
            table: {tuple(row[1:]) for row in connection.execute(f"PRAGMA table_info({table})")}
            for table in TABLES
        }
        connection.close()
        return found

    assert columns(tmp_path / "library") == columns(tmp_path / "new")


def test_a_migration_that_fails_leaves_the_old_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = old_library(tmp_path)
    from toneapp.library import migrations

    def break_off(connection: sqlite3.Connection) -> None:
        connection.execute("ALTER TABLE run ADD COLUMN half TEXT")
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setitem(migrations._STEPS, 1, break_off)
    with pytest.raises(LibraryError):
        Library(folder)
    monkeypatch.undo()
    with Library(folder) as library:
        assert len(library.instruments.all()) == 2


def test_a_newer_library_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    folder = tmp_path / "library"
    Library(folder).close()
    connection = sqlite3.connect(folder / DATABASE_NAME)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    before = (folder / DATABASE_NAME).read_bytes()
    with pytest.raises(LibraryError, match="newer toneapp"):
        Library(folder)
    assert (folder / DATABASE_NAME).read_bytes() == before


def test_a_library_brought_up_to_date_by_another_program_is_not_written(library: Library) -> None:
    connection = sqlite3.connect(library.folder / DATABASE_NAME)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    with pytest.raises(LibraryError, match="start this one again"):
        library.instruments.add(Instrument(name="A"))


def test_another_data_base_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "library"
    folder.mkdir()
    connection = sqlite3.connect(folder / DATABASE_NAME)
    connection.execute("CREATE TABLE other (x)")
    connection.close()
    with pytest.raises(LibraryError, match="not a library of toneapp"):
        Library(folder)


def test_a_library_that_is_written_to_by_another_is_told_busy(
    library: Library, piano: Instrument
) -> None:
    other = sqlite3.connect(library.folder / DATABASE_NAME, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Library(library.folder, busy_s=0.1) as impatient:
        assert impatient.instruments.get(piano.id) == piano  # reading goes on
        with pytest.raises(LibraryError, match="is busy"):
            impatient.instruments.add(Instrument(name="B"))
    other.execute("ROLLBACK")
    other.close()


def test_a_folder_that_is_gone_is_told(library: Library, tmp_path: Path) -> None:
    library.close()
    with pytest.raises(LibraryError, match="was closed"):
        library.instruments.all()
    shutil.rmtree(library.folder)
    with pytest.raises(LibraryError, match="there is no library"):
        Library(library.folder, can_create=False)
    (tmp_path / "file").write_text("x")
    with pytest.raises(LibraryError, match="cannot be"):
        Library(tmp_path / "file" / "library")


@pytest.mark.usefixtures("run")
def test_an_emptied_data_base_is_not_taken_for_a_new_library(library: Library) -> None:
    library.close()
    for path in library.folder.glob("library.sqlite*"):
        path.unlink()
    with pytest.raises(LibraryError, match="but there are sounds"):
        Library(library.folder)


def test_a_foreign_trigger_is_not_let_loose(library: Library) -> None:
    connection = sqlite3.connect(library.folder / DATABASE_NAME)
    connection.execute("CREATE TRIGGER t AFTER INSERT ON instrument BEGIN DELETE FROM run; END")
    connection.close()
    library.close()
    with pytest.raises(LibraryError, match="damaged"):
        Library(library.folder)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (sqlite3.SQLITE_BUSY, "busy"),
        (sqlite3.SQLITE_FULL, "is full"),
        (sqlite3.SQLITE_CORRUPT, "damaged"),
        (sqlite3.SQLITE_NOTADB, "damaged"),
        (sqlite3.SQLITE_READONLY, "may not be written"),
        (sqlite3.SQLITE_CANTOPEN, "gone"),
        (sqlite3.SQLITE_IOERR, "does not answer"),
    ],
)
def test_each_fault_of_the_data_base_is_said_in_a_sentence(code: int, words: str) -> None:
    fault = sqlite3.OperationalError("words of the data base")
    fault.sqlite_errorcode = code
    with pytest.raises(LibraryError, match=words) as raised, translated(Path("place")):
        raise fault
    assert "\n" not in str(raised.value)


def test_every_error_class_of_sqlite_is_translated_or_a_mistake_of_ours() -> None:
    ours = {"ProgrammingError", "InterfaceError", "NotSupportedError"}
    classes = [
        item
        for item in vars(sqlite3).values()
        if isinstance(item, type) and issubclass(item, sqlite3.Error) and item is not sqlite3.Error
    ]
    assert len(classes) >= 8
    for kind in classes:
        expected = kind if kind.__name__ in ours else LibraryError
        with pytest.raises(expected), translated(Path("place")):
            raise kind("x")
    with pytest.raises(LibraryConflict), translated(Path("place")):
        raise sqlite3.IntegrityError("x")


@pytest.mark.parametrize("code", [28, 122, 13, 30, 2, 5])
def test_each_fault_of_the_disk_is_said_in_a_sentence(code: int) -> None:
    text = str(disk_error(Path("place"), OSError(code, os.strerror(code))))
    assert "the library in place" in text
    assert "\n" not in text


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("healthy")
    with Library(folder / "library") as library:
        for number in range(3):
            made = library.instruments.add(Instrument(name=f"Piano {number}"))
            library.runs.add(Run(instrument_id=made.id), write_noise(folder / "a.wav"))
    connection = sqlite3.connect(folder / "library" / DATABASE_NAME)
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()
    return folder / "library"


@given(data=st.data())
def test_a_damaged_data_base_gives_a_clear_error_or_works(
    healthy: Path, data: st.DataObject
) -> None:
    content = bytearray((healthy / DATABASE_NAME).read_bytes())
    how = data.draw(st.sampled_from(["bytes", "cut", "other"]))
    if how == "bytes":
        places = st.tuples(st.integers(0, len(content) - 1), st.integers(0, 255))
        for place, value in data.draw(st.lists(places, min_size=1, max_size=30)):
            content[place] = value
    elif how == "cut":
        del content[data.draw(st.integers(1, len(content) - 1)) :]
    else:
        content = bytearray(data.draw(st.binary(min_size=1, max_size=5000)))
    folder = healthy.parent / "damaged"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / DATABASE_NAME).write_bytes(content)
    try:
        with Library(folder) as library:
            for instrument in library.instruments.all():
                library.runs.all(instrument.id)
                library.worksheets.items(instrument.id)
            for run in library.runs.all():
                library.runs.takes(run.id)
            library.search("piano")
            library.history.acts()
            library.bin.items()
            library.check(is_thorough=True)
            library.instruments.add(Instrument(name="New"))
    except ToneappError as exc:
        check_sentence(exc)


@given(changes=st.lists(
    st.tuples(
        st.sampled_from(["lowest_midi", "highest_midi", "strings", "a4_hz", "name", "version",
                         "first_plain_midi", "deleted_at", "search_text"]),
        st.one_of(st.integers(-(2**40), 2**40), st.text(max_size=20), st.none(), st.floats()),
    ), min_size=1, max_size=4,
))  # fmt: skip
def test_rows_that_cannot_be_give_a_clear_error(
    healthy: Path, changes: list[tuple[str, object]]
) -> None:
    folder = healthy.parent / "changed"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    shutil.copyfile(healthy / DATABASE_NAME, folder / DATABASE_NAME)
    connection = sqlite3.connect(folder / DATABASE_NAME)
    for column, value in changes:
        try:
            connection.execute(f"UPDATE instrument SET {column} = ? WHERE id = 2", (value,))
        except (sqlite3.Error, UnicodeEncodeError):
            continue
    connection.commit()
    connection.close()
    try:
        with Library(folder) as library:
            library.instruments.all()
            library.instruments.get(2)
            library.search("piano")
    except ToneappError as exc:
        check_sentence(exc)


def test_the_default_folder_follows_variable_and_desktop(tmp_path: Path) -> None:
    named = {"TONEAPP_LIBRARY": str(tmp_path / "mine"), "HOME": str(tmp_path)}
    assert default_folder(environment=named) == tmp_path / "mine"
    plain = {"HOME": str(tmp_path), "USERPROFILE": str(tmp_path)}
    assert default_folder(environment=plain) == tmp_path / "Documents" / "toneapp"
    if sys.platform in ("win32", "darwin"):
        return
    (tmp_path / ".config").mkdir()
    (tmp_path / ".config" / "user-dirs.dirs").write_text(
        '# comment\nXDG_DESKTOP_DIR="$HOME/Tisch"\nXDG_DOCUMENTS_DIR="$HOME/Dokumente"\n'
    )
    assert default_folder(environment=plain) == tmp_path / "Dokumente" / "toneapp"
