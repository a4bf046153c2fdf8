"""Archives: round trip, what an ill-meaning one may hold, and the exports for other programs."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import Measures, check_sentence, invent_run, write_noise

from toneapp.errors import ArchiveError, LibraryError, OutputError, ToneappError
from toneapp.library import (
    Instrument,
    KeyMeasurement,
    Library,
    OnDuplicate,
    Run,
    StringCount,
    WorksheetItem,
)


def fill(library: Library, folder: Path) -> None:
    piano = library.instruments.add(
        Instrument(name="Flügel", strings=(StringCount(from_midi=21, strings=1),), notes="=1+1")
    )
    library.instruments.add(Instrument(name="Other"))
    run = library.runs.add(
        Run(instrument_id=piano.id, condition="before", distance_m=1.0),
        write_noise(folder / "a.wav"),
    )
    library.measuring.measure(
        run.id, Measures(invent_run(np.random.default_rng(2), midis=range(60, 68)))
    )
    take = library.runs.add_take(
        run, write_noise(folder / "b.wav", key=5), replaces=True, note="again"
    )
    library.measuring.put_result(
        take.id, invent_run(np.random.default_rng(3), midis=(60,), strikes=2)
    )
    library.strikes.discard(library.runs.takes(run.id)[0].id, 2.5)
    library.strikes.set_bounds(
        library.runs.takes(run.id)[0].id, 8.5, 61, exact_onset_s=8.52, release_s=9.4
    )
    library.worklists.tick(run.id, 60, "bright", note="done")
    library.worksheets.add(
        WorksheetItem(instrument_id=piano.id, area="Hammers", minutes=5, raised_run_uid=run.uid)
    )
    library.weights.add(piano.id, [KeyMeasurement(midi=60, down_weight_g=50.0)], title="first")
    gone = library.runs.add(Run(instrument_id=piano.id), write_noise(folder / "c.wav", key=9))
    library.runs.remove(gone)


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("packed")
    with Library(folder / "library") as library:
        fill(library, folder)
        assert library.export_archive(folder / "all.zip") == 2
    return folder / "all.zip"


def contents(library: Library) -> Any:
    data = json.loads(library.export_json())
    return data["instruments"]


def strip(rows: Any) -> Any:
    """Rows without the names that an import to a filled library has to change."""
    if isinstance(rows, list):
        return [strip(row) for row in rows]
    if isinstance(rows, dict):
        return {k: strip(v) for k, v in rows.items() if k not in ("uid", "raised_run_uid")}
    return rows


def test_an_archive_brings_everything_into_another_library(packed: Path, tmp_path: Path) -> None:
    with Library(packed.parent / "library") as first, Library(tmp_path / "new") as second:
        view = second.look_into_archive(packed)
        assert (view.instruments, view.runs, view.duplicates) == (("Flügel", "Other"), 1, ())
        assert view.sound_bytes > 1000
        numbers = second.import_archive(packed)
        assert len(numbers) == 2
        assert contents(second) == contents(first)
        assert second.check() == ()
        run = second.runs.all()[0]
        assert second.measuring.result(run.id) == first.measuring.result(1)
        assert [hit.id for hit in second.search("flugel")] == [numbers[0]]
        assert second.leftovers(older_than_s=0.0) == ()


def test_single_instruments_can_be_packed(packed: Path, tmp_path: Path) -> None:
    with Library(packed.parent / "library") as first, Library(tmp_path / "new") as second:
        first.export_archive(tmp_path / "one.zip", instrument_ids=[2])
        second.import_archive(tmp_path / "one.zip")
        assert [i.name for i in second.instruments.all()] == ["Other"]
        with pytest.raises(Exception, match="no instrument 99"):
            first.export_archive(tmp_path / "x.zip", instrument_ids=[99])
        assert not (tmp_path / "x.zip").exists()


def test_what_the_library_has_is_refused_skipped_or_kept_twice(
    packed: Path, tmp_path: Path
) -> None:
    with Library(tmp_path / "new") as library:
        library.import_archive(packed)
        before = contents(library)
        with pytest.raises(ArchiveError, match="has already"):
            library.import_archive(packed)
        assert library.look_into_archive(packed).duplicates == ("Flügel", "Other")
        library.import_archive(packed, on_duplicate=OnDuplicate.SKIP)
        assert contents(library) == before
        library.import_archive(packed, on_duplicate=OnDuplicate.KEEP_BOTH)
        after = contents(library)
        assert strip(after) == strip(before) * 2
        uids = [item["uid"] for item in after] + [r["uid"] for item in after for r in item["run"]]
        assert len(set(uids)) == len(uids)
        assert after[2]["worksheet_item"][0]["raised_run_uid"] == after[2]["run"][0]["uid"]
        assert library.check() == ()


def test_runs_added_since_come_in_by_skipping(packed: Path, tmp_path: Path) -> None:
    with Library(tmp_path / "new") as library, Library(packed.parent / "library") as first:
        library.import_archive(packed)
        made = first.runs.add(
            Run(instrument_id=1, condition="after"), write_noise(tmp_path / "d.wav", key=7)
        )
        first.export_archive(tmp_path / "later.zip")
        first.runs.remove(made)
        library.import_archive(tmp_path / "later.zip", on_duplicate=OnDuplicate.SKIP)
        assert [run.condition for run in library.runs.all()] == ["before", "after"]


def test_a_failing_import_leaves_nothing(
    packed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from toneapp.library.writer import Writer

    insert = Writer.insert

    def fail(self: Writer, table: str, values: dict[str, Any]) -> int:
        if table == "worksheet_item":
            raise OSError(28, "No space left on device")
        return insert(self, table, values)

    with Library(tmp_path / "new") as library:
        monkeypatch.setattr(Writer, "insert", fail)
        with pytest.raises(LibraryError, match="is full"):
            library.import_archive(packed)
        monkeypatch.undo()
        assert library.instruments.all() == ()
        # The sounds had their names already; they are found as left over, and the next try works.
        library.import_archive(packed)
        assert library.leftovers(older_than_s=0.0) == ()
        assert library.check() == ()


def test_an_archive_is_not_written_over_by_half(packed: Path, tmp_path: Path) -> None:
    with Library(packed.parent / "library") as library:
        with pytest.raises(OutputError):
            library.export_archive(tmp_path / "missing" / "x.zip")
        target = tmp_path / "x.zip"
        target.write_bytes(b"earlier")

        def stop(_share: float) -> None:
            raise ToneappError("stopped")

        with pytest.raises(ToneappError, match="stopped"):
            library.export_archive(target, progress=stop)
        assert target.read_bytes() == b"earlier"


Change = Callable[[dict[str, bytes], dict[str, Any]], None]


def rebuild(packed: Path, target: Path, change: Change) -> Path:
    """The archive with something changed; its list of contents is written anew."""
    with zipfile.ZipFile(packed) as archive:
        files = {info.filename: archive.read(info) for info in archive.infolist()}
    data = json.loads(files["archive.json"])
    change(files, data)
    if files.get("archive.json") is not None:
        files["archive.json"] = json.dumps(data).encode()
    with zipfile.ZipFile(target, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return target


def first_recording(data: dict[str, Any]) -> dict[str, Any]:
    return data["instruments"][0]["run"][0]["take"][0]["recording"][0]


def audio_of(data: dict[str, Any]) -> str:
    return f"audio/{first_recording(data)['sha256']}.flac"


def rename_sound(files: dict[str, bytes], data: dict[str, Any], sha256: str) -> None:
    files[f"audio/{sha256}.flac"] = files.pop(audio_of(data))
    first_recording(data)["sha256"] = sha256


def not_a_sound(files: dict[str, bytes], data: dict[str, Any]) -> None:
    content = b"RIFF" + bytes(1000)
    del files[audio_of(data)]
    recording = first_recording(data)
    recording |= {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
    files[audio_of(data)] = content


def flip_sound(files: dict[str, bytes], data: dict[str, Any]) -> None:
    name = audio_of(data)
    files[name] = files[name][:-1] + bytes([files[name][-1] ^ 1])


def flip_result(files: dict[str, bytes], _data: dict[str, Any]) -> None:
    name = next(n for n in files if n.startswith("results/"))
    files[name] = files[name].replace(b"60", b"61", 1)


HOSTILE: dict[str, tuple[Change, str]] = {
    "path upward": (lambda f, _d: f.update({"../../evil": b"x"}), "does not belong"),
    "absolute path": (lambda f, _d: f.update({"/tmp/evil": b"x"}), "does not belong"),
    "drive": (lambda f, _d: f.update({"C:\\evil": b"x"}), "does not belong"),
    "path in a hash": (lambda f, d: rename_sound(f, d, "../../../../evil" + "0" * 48), "hash"),
    "no contents": (lambda f, _d: f.pop("archive.json"), "not an archive"),
    "newer format": (lambda _f, d: d.update(format="toneapp-archive/9"), "does not know"),
    "no format": (lambda _f, d: d.pop("format"), "does not know"),
    "sound changed": (flip_sound, "was changed"),
    "result changed": (flip_result, "was changed"),
    "sound missing": (lambda f, d: f.pop(audio_of(d)), "lacks"),
    "not a sound": (not_a_sound, "cannot be read|not FLAC"),
    "frames": (lambda _f, d: first_recording(d).update(frames=5), "not as described"),
    "size": (lambda _f, d: first_recording(d).update(bytes=5), "size"),
    "no instruments": (lambda _f, d: d.update(instruments=3), "cannot be"),
    "a name that is none": (lambda _f, d: d["instruments"][0].update(name=" "), "needs a name"),
    "no such compass": (lambda _f, d: d["instruments"][0].update(lowest_midi=119), "compass"),
    "a kind that is none": (lambda _f, d: d["instruments"][0].update(kind="organ"), "organ"),
    "a number as text": (lambda _f, d: d["instruments"][0].update(a4_hz="440"), "a4_hz"),
    "truth as number": (lambda _f, d: d["instruments"][0].update(lowest_midi=True), "lowest_midi"),
    "twice the same": (lambda _f, d: d["instruments"].append(d["instruments"][0]), "twice"),
    "no sound": (lambda _f, d: d["instruments"][0]["run"][0].update(take=[]), "no recording"),
    "a huge number": (lambda _f, d: d["instruments"][0].update(a4_hz=10**400), "number"),
    "a time that is none": (lambda _f, d: d["instruments"][0].update(created_at="soon"), "soon"),
    "a surrogate": (lambda _f, d: d["instruments"][0].update(notes="\ud800"), "cannot be kept"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_archives_are_refused_and_leave_nothing(
    name: str, packed: Path, tmp_path: Path
) -> None:
    change, words = HOSTILE[name]
    archive = rebuild(packed, tmp_path / "bad.zip", change)
    before = set(tmp_path.rglob("*"))
    with Library(tmp_path / "inner" / "new") as library:
        with pytest.raises(ArchiveError, match=words) as raised:
            library.import_archive(archive)
        assert "\n" not in str(raised.value)
        assert library.instruments.all() == ()
        assert list((library.folder / "audio").iterdir()) == []
    outside = {p for p in tmp_path.rglob("*") if (tmp_path / "inner") not in (p, *p.parents)}
    assert outside == before
    assert not Path("/tmp/evil").exists()


def test_a_file_that_unpacks_to_far_more_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("archive.json", b" " * 50_000_000)
    with Library(tmp_path / "new") as library, pytest.raises(ArchiveError, match="far more"):
        library.import_archive(path)


def test_a_size_that_lies_is_found_out(packed: Path, tmp_path: Path) -> None:
    content = bytearray(packed.read_bytes())
    # The size in the central directory of the list of contents, made small.
    place = content.rfind(
        b"PK\x01\x02", 0, content.find(b"archive.json", content.find(b"PK\x01\x02"))
    )
    content[place + 24 : place + 28] = (10).to_bytes(4, "little")
    path = tmp_path / "lie.zip"
    path.write_bytes(bytes(content))
    with Library(tmp_path / "new") as library, pytest.raises(ArchiveError):
        library.import_archive(path)


def test_a_link_and_a_file_twice_are_refused(tmp_path: Path) -> None:
    linked = tmp_path / "link.zip"
    with zipfile.ZipFile(linked, "w") as archive:
        info = zipfile.ZipInfo("archive.json")
        info.external_attr = 0o120777 << 16
        archive.writestr(info, "/etc/passwd")
    twice = tmp_path / "twice.zip"
    with zipfile.ZipFile(twice, "w") as archive:
        archive.writestr("archive.json", "{}")
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("archive.json", "{}")
    with Library(tmp_path / "new") as library:
        with pytest.raises(ArchiveError, match="no plain file"):
            library.import_archive(linked)
        with pytest.raises(ArchiveError, match="twice"):
            library.import_archive(twice)
        with pytest.raises(ArchiveError, match="does not exist"):
            library.import_archive(tmp_path / "none.zip")


@given(data=st.data())
def test_damaged_archives_give_a_clear_error_and_lose_nothing(
    packed: Path, data: st.DataObject
) -> None:
    content = bytearray(packed.read_bytes())
    how = data.draw(st.sampled_from(["bytes", "cut", "other"]))
    if how == "bytes":
        places = st.tuples(st.integers(0, len(content) - 1), st.integers(0, 255))
        for place, value in data.draw(st.lists(places, min_size=1, max_size=20)):
            content[place] = value
    elif how == "cut":
        del content[data.draw(st.integers(0, len(content) - 1)) :]
    else:
        content = bytearray(data.draw(st.binary(max_size=2000)))
    folder = packed.parent / "fuzz"
    folder.mkdir(exist_ok=True)
    path = folder / "x.zip"
    path.write_bytes(content)
    with Library(packed.parent / "fuzzed") as library:
        before = library.export_json().partition(b'"instruments"')[2]
        try:
            library.import_archive(path, on_duplicate=OnDuplicate.KEEP_BOTH)
        except ToneappError as exc:
            check_sentence(exc)
            assert library.export_json().partition(b'"instruments"')[2] == before
        assert library.check(is_thorough=False) == ()
    assert [p.name for p in folder.iterdir()] == ["x.zip"]


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=5,
)


@given(data=st.data())
def test_archives_with_any_value_in_any_place_give_a_clear_error_or_a_whole_library(
    packed: Path, data: st.DataObject
) -> None:
    def change(_files: dict[str, bytes], contents: dict[str, Any]) -> None:
        places = []

        def walk(node: Any) -> None:
            for key, value in node.items() if isinstance(node, dict) else enumerate(node):
                places.append((node, key))
                if isinstance(value, dict | list):
                    walk(value)

        walk(contents)
        for _ in range(data.draw(st.integers(1, 3))):
            node, key = places[data.draw(st.integers(0, len(places) - 1))]
            node[key] = data.draw(json_values)

    path = rebuild(packed, packed.parent / "values.zip", change)
    with Library(packed.parent / "values") as library:
        for instrument in library.instruments.all():
            library.instruments.remove(instrument)
        library.bin.empty()
        try:
            library.import_archive(path)
        except ToneappError as exc:
            check_sentence(exc)
            assert library.instruments.all() == ()
        else:
            json.loads(library.export_json())
            for run in library.runs.all():
                library.measuring.result(run.id)
        assert library.check() == ()


def test_everything_comes_out_as_tables(packed: Path, tmp_path: Path) -> None:
    with Library(packed.parent / "library") as library:
        paths = {path.name: path for path in library.export_tables(tmp_path)}
    assert set(paths) == {
        "instruments.csv",
        "runs.csv",
        "notes.csv",
        "worksheet.csv",
        "weights.csv",
    }

    def rows(name: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(paths[name].read_text("utf-8-sig"))))

    assert [row["name"] for row in rows("instruments.csv")] == ["Flügel", "Other"]
    assert rows("instruments.csv")[0]["notes"] == "'=1+1"
    notes = rows("notes.csv")
    assert len(notes) == 8 + 1
    assert {row["take"] for row in notes} == {"1", "2"}
    assert rows("weights.csv")[0]["down_weight_g"] == "50.0"
