from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented import Measures, invent_run, invent_strikes, join, write_noise

from toneapp.errors import AudioFileError, InputError, LibraryError, NothingFoundError
from toneapp.keyboard import Compass, KeyboardLayout
from toneapp.library import (
    Change,
    EditAction,
    Instrument,
    InstrumentKind,
    Library,
    LibraryConflict,
    Purpose,
    Run,
    StringCount,
)
from toneapp.results import MEASURES_VERSION, RunResult


def test_an_instrument_comes_back_as_it_was_added(library: Library) -> None:
    made = library.instruments.add(
        Instrument(
            name="Flügel",
            kind=InstrumentKind.GRAND,
            maker="Invented",
            year="about 1905",
            compass=Compass.parse("A0-A7"),
            first_plain_midi=45,
            last_damper_midi=90,
            bass_bridge_top_midi=44,
            strings=(StringCount(from_midi=21, strings=1), StringCount(from_midi=30, strings=2)),
            a4_hz=435.0,
            notes="a line\nand another",
        )
    )
    again = library.instruments.get(made.id)
    assert again == made
    assert again.layout().breaks() == (45, 91)
    assert [again.strings_of(midi) for midi in (21, 29, 30, 105, 106)] == [1, 1, 2, 2, None]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": " "}, "needs a name"),
        ({"a4_hz": 300.0}, "A4 at 300 Hz"),
        ({"last_damper_midi": 5}, "last damper"),
        ({"strings": (StringCount(from_midi=30, strings=2), StringCount(from_midi=21, strings=1))},
         "upward"),
        ({"notes": "\x00"}, "cannot be kept"),
    ],
)  # fmt: skip
def test_values_that_cannot_be_are_refused(
    library: Library, change: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        library.instruments.add(replace(Instrument(name="A"), **change))
    assert library.instruments.all() == ()


def test_instruments_are_found_by_number_name_and_part_of_a_name(library: Library) -> None:
    first = library.instruments.add(Instrument(name="Old upright"))
    second = library.instruments.add(Instrument(name="Old grand"))
    assert library.instruments.find(str(second.id)) == second
    assert library.instruments.find("old UPRIGHT") == first
    assert library.instruments.find("grand") == second
    with pytest.raises(InputError, match="several"):
        library.instruments.find("old")
    with pytest.raises(InputError, match="no instrument is called"):
        library.instruments.find("new")


def test_the_loser_of_a_conflict_is_told_and_nothing_is_overwritten(
    library: Library, piano: Instrument
) -> None:
    with Library(library.folder) as other:
        seen = other.instruments.get(piano.id)
        library.instruments.change(replace(piano, notes="mine"))
        with pytest.raises(LibraryConflict, match="changed this meanwhile"):
            other.instruments.change(replace(seen, notes="theirs"))
        assert other.instruments.get(piano.id).notes == "mine"


def test_a_run_keeps_its_facts_and_is_measured_from_the_stored_sound(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    made = library.runs.add(
        Run(
            instrument_id=piano.id,
            condition="before refacing",
            purpose=Purpose.RING_ON,
            recorded_at="2024-05-01T10:00",
            place="hall",
            microphone="condenser",
            distance_m=1.5,
            gain_note="2 o'clock",
            calibration_db=120.0,
            channel="left",
            note_order="ascending",
        ),
        write_noise(tmp_path / "run one.wav", channels=2),
    )
    assert library.measuring.result(made.id) is None
    assert library.measuring.figures([made.id]) == {}
    (tmp_path / "run one.wav").unlink()
    measures = Measures()
    result = library.measuring.measure(made.id, measures)
    call = measures.calls[0]
    assert call["path"].name == "run one.flac"
    assert (call["order"], call["channel"], call["calibration_db"]) == ("ascending", "left", 120.0)
    assert result.source == "run one.wav"
    assert library.measuring.result(made.id) == result
    assert library.runs.get(made.id) == made
    figures = library.measuring.figures([made.id])[made.id]
    assert figures.is_current
    assert (figures.strikes, figures.notes) == (len(result.strikes), len(result.notes))
    assert sorted(p.suffix for p in (library.folder / "audio").iterdir()) == [".flac"]


def test_results_of_other_settings_are_told_as_such(library: Library, run: Run) -> None:
    assert library.measuring.figures([run.id])[run.id].is_current
    library.runs.change(replace(run, channel="right"))
    assert not library.measuring.figures([run.id])[run.id].is_current
    library.measuring.measure(run.id, Measures())
    assert library.measuring.figures([run.id])[run.id].is_current


def test_results_of_earlier_measures_are_kept_beside(library: Library, run: Run) -> None:
    newer = replace(invent_run(np.random.default_rng(2)), measures_version=MEASURES_VERSION + 1)
    take = library.runs.takes(run.id)[0]
    library.measuring.put_result(take.id, newer)
    assert library.measuring.result(run.id).measures_version == MEASURES_VERSION + 1
    with library._database.reading() as connection:
        assert connection.execute("SELECT count(*) FROM result").fetchone()[0] == 2


def test_a_result_without_its_partials_is_else_the_same(library: Library, run: Run) -> None:
    whole = library.measuring.result(run.id)
    brief = library.measuring.result(run.id, with_partials=False)
    assert whole.strikes[0].partials
    assert brief == replace(
        whole, strikes=tuple(replace(strike, partials=()) for strike in whole.strikes)
    )


def test_a_damaged_result_is_told_and_measured_again(library: Library, run: Run) -> None:
    with library._database.writing("damage", can_undo=False) as writer:
        writer.connection.execute("UPDATE result SET content = x'78da0102'")
    for with_partials in (True, False):
        with pytest.raises(LibraryError, match="measure the run again"):
            library.measuring.result(run.id, with_partials=with_partials)
    library.measuring.measure(run.id, Measures())
    assert library.measuring.result(run.id) is not None


def test_a_calibration_follows_a_recording_beyond_full_scale(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    import soundfile

    path = tmp_path / "loud.wav"
    soundfile.write(path, np.full(9000, 1.5, dtype=np.float32), 48_000, subtype="FLOAT")
    measures = Measures()
    calibrated = library.runs.add(Run(instrument_id=piano.id, calibration_db=100.0), path)
    library.measuring.measure(calibrated.id, measures)
    assert measures.calls[0]["calibration_db"] == pytest.approx(106.0206, abs=1e-4)
    plain = library.runs.add(Run(instrument_id=piano.id), path)
    result = library.measuring.measure(plain.id, measures)
    assert any("6.02 dB" in text for text in result.problems)


def test_a_run_without_strikes_stays_in_the_library(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    def nothing(path: Path, **_options: object) -> RunResult:
        raise NothingFoundError(f"{path.name} holds no strike")

    made = library.runs.add(Run(instrument_id=piano.id), write_noise(tmp_path / "a.wav"))
    with pytest.raises(NothingFoundError):
        library.measuring.measure(made.id, nothing)
    assert library.runs.all(piano.id) == (made,)
    assert sorted(p.name[:5] for p in (library.folder / "audio").iterdir()) != ["work-"]


def test_a_folder_of_single_notes_is_one_run(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    folder = tmp_path / "notes"
    folder.mkdir()
    for key, name in enumerate(("note 2.wav", "note 10.wav", "note 1.wav")):
        write_noise(folder / name, key=key)
    made = library.runs.add(Run(instrument_id=piano.id), folder)
    measures = Measures()
    library.measuring.measure(made.id, measures)
    assert measures.calls[0]["files"] == [
        "0000 note 1.flac",
        "0001 note 2.flac",
        "0002 note 10.flac",
    ]
    assert [r.name for r in library.runs.takes(made.id)[0].recordings] == [
        "note 1.wav", "note 2.wav", "note 10.wav",
    ]  # fmt: skip


def test_a_file_that_is_no_sound_leaves_nothing(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    folder = tmp_path / "notes"
    folder.mkdir()
    write_noise(folder / "a.wav")
    (folder / "b.wav").write_bytes(b"not sound")
    with pytest.raises(AudioFileError, match=r"b\.wav"):
        library.runs.add(Run(instrument_id=piano.id), folder)
    assert library.runs.all() == ()
    assert list((library.folder / "audio").iterdir()) == []


def test_a_discarded_strike_counts_no_more_at_once_and_comes_back(
    library: Library, run: Run
) -> None:
    whole = library.measuring.result(run.id)
    take = library.runs.takes(run.id)[0]
    strike = whole.strikes[4]
    edit = library.strikes.discard(take.id, strike.onset_s + 0.01, note="door")
    assert edit.action is EditAction.DISCARD
    less = library.measuring.result(run.id)
    assert len(less.strikes) == len(whole.strikes) - 1
    assert strike not in less.strikes
    midi = strike.midi
    assert next(n.strikes for n in less.notes if n.midi == midi) == 2
    assert library.measuring.result(run.id, as_recorded=True) == whole
    assert not library.measuring.figures([run.id])[run.id].is_current
    library.strikes.restore(edit)
    assert library.measuring.result(run.id) == whole


def test_a_relabelled_strike_waits_for_the_next_measurement(library: Library, run: Run) -> None:
    whole = library.measuring.result(run.id)
    take = library.runs.takes(run.id)[0]
    strike = whole.strikes[0]
    library.strikes.relabel(take.id, strike.onset_s, strike.midi + 1)
    waiting = library.measuring.result(run.id)
    assert len(waiting.strikes) == len(whole.strikes) - 1
    assert any("1 strike waits" in text for text in waiting.problems)
    measures = Measures()
    measured = library.measuring.measure(run.id, measures)
    labels = measures.calls[0]["labels"]
    assert [(label.onset_s, label.midi) for label in labels] == [(strike.onset_s, strike.midi + 1)]
    assert len(measured.strikes) == len(whole.strikes)
    assert measured.strikes[0].midi == strike.midi + 1
    assert not any("waits" in text for text in measured.problems)
    # The earlier word on the strike stays in the history when a new one is said.
    edit = library.strikes.relabel(take.id, strike.onset_s, strike.midi + 2)
    earlier = library.history.row_history("strike_edit", edit.id)
    assert [state["midi"] for _, state in earlier] == [strike.midi + 1]


def test_bounds_of_a_strike_are_kept_measured_and_undone(library: Library, run: Run) -> None:
    whole = library.measuring.result(run.id)
    take = library.runs.takes(run.id)[0]
    strike = whole.strikes[2]
    begin_s, release_s = strike.onset_s + 0.4, strike.onset_s + 1.1
    edit = library.strikes.set_bounds(
        take.id, strike.onset_s, strike.midi, exact_onset_s=begin_s, release_s=release_s
    )
    assert (edit.exact_onset_s, edit.release_s) == (begin_s, release_s)
    assert library.measuring.is_due(run.id)
    waiting = library.measuring.result(run.id)
    assert waiting.strikes == whole.strikes  # the earlier measurement counts meanwhile
    assert any("other bounds" in text for text in waiting.problems)
    measures = Measures()
    measured = library.measuring.measure(run.id, measures)
    assert measures.calls[0]["labels"] == [edit.label()]
    assert (measured.strikes[2].onset_s, measured.strikes[2].release_s) == (begin_s, release_s)
    assert measured.problems == ()
    assert not library.measuring.is_due(run.id)
    assert library.measuring.figures([run.id])[run.id].is_current
    # Said of the strike where it now begins, it is the same strike; a new key keeps the bounds.
    again = library.strikes.relabel(take.id, begin_s, strike.midi + 1)
    assert (again.id, again.exact_onset_s, again.release_s) == (edit.id, begin_s, release_s)
    library.history.undo()
    library.history.undo()
    assert library.strikes.of_take(take.id) == ()
    assert library.measuring.is_due(run.id)
    library.history.redo()
    assert library.strikes.of_take(take.id)[0].label() == edit.label()
    left_out = library.strikes.discard(take.id, begin_s)
    assert (left_out.exact_onset_s, left_out.release_s) == (None, None)


def test_leaving_a_strike_out_needs_no_measurement(library: Library, run: Run) -> None:
    take = library.runs.takes(run.id)[0]
    onset_s = library.measuring.result(run.id).strikes[0].onset_s
    edit = library.strikes.discard(take.id, onset_s)
    assert not library.measuring.is_due(run.id)
    library.measuring.measure(run.id, Measures())
    library.strikes.restore(edit)
    assert library.measuring.is_due(run.id)  # it has to be measured before it can count


@pytest.mark.parametrize(
    ("exact_onset_s", "release_s"), [(-0.1, None), (None, 2.5), (3.0, 3.02), (None, 1e9)]
)
def test_bounds_that_cannot_be_are_refused(
    library: Library, run: Run, exact_onset_s: float | None, release_s: float | None
) -> None:
    take = library.runs.takes(run.id)[0]
    with pytest.raises(InputError):
        library.strikes.set_bounds(
            take.id, 2.5, 48, exact_onset_s=exact_onset_s, release_s=release_s
        )
    assert library.strikes.of_take(take.id) == ()


def test_single_files_of_a_run_of_many_are_measured_again_under_their_labels(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    folder = tmp_path / "notes"
    folder.mkdir()
    for key, name in enumerate(("a.wav", "b.wav")):
        write_noise(folder / name, key=key)
    rng = np.random.default_rng(6)
    strikes = invent_strikes(rng, midis=(60,), strikes=2)
    layout = KeyboardLayout()

    def analyse(path: Path, *, labels: list[object], **_options: object) -> RunResult:
        if path.is_dir():
            named = [
                replace(strike, source=f"000{number} {'ab'[number]}.flac")
                for number, strike in enumerate(strikes)
            ]
            return join(named, layout=layout)
        assert path.name == "0001 b.flac"
        return join([replace(strikes[1], midi=labels[0].midi)], layout=layout)

    made = library.runs.add(Run(instrument_id=piano.id), folder)
    library.measuring.measure(made.id, analyse)
    take = library.runs.takes(made.id)[0]
    library.strikes.relabel(take.id, strikes[1].onset_s, 62, part="0001 b.flac")
    result = library.measuring.measure(made.id, analyse)
    assert [(s.midi, s.source) for s in result.strikes] == [
        (60, "0000 a.flac"), (62, "0001 b.flac"),
    ]  # fmt: skip


def test_notes_recorded_again_replace_or_stand_beside(
    library: Library, run: Run, tmp_path: Path
) -> None:
    whole = library.measuring.result(run.id)
    midi = whole.notes[3].midi
    again = invent_run(np.random.default_rng(9), midis=(midi,), strikes=2)
    beside = library.runs.add_take(
        run, write_noise(tmp_path / "x.wav", key=8), replaces=False, note="after filing"
    )
    library.measuring.put_result(beside.id, again)
    assert library.measuring.result(run.id) == whole
    assert [take.number for take, _ in library.measuring.note_history(run.id, midi)] == [1, 2]
    better = library.runs.add_take(run, write_noise(tmp_path / "y.wav", key=9), replaces=True)
    library.measuring.put_result(better.id, again)
    now = library.measuring.result(run.id)
    own = [strike for strike in now.strikes if strike.midi == midi]
    assert {strike.source for strike in own} == {"take 3"}
    assert next(n.strikes for n in now.notes if n.midi == midi) == 2
    assert len(now.strikes) == len(whole.strikes) - 3 + 2
    library.runs.discard_take(library.runs.takes(run.id)[2])
    assert library.measuring.result(run.id) == whole
    assert len(library.measuring.note_history(run.id, midi)) == 3
    with pytest.raises(InputError, match="whole run"):
        library.runs.discard_take(library.runs.takes(run.id)[0])


def test_the_bin_keeps_and_gives_back_until_it_is_emptied(
    library: Library, piano: Instrument, run: Run
) -> None:
    library.runs.remove(library.runs.get(run.id))
    assert library.runs.all() == ()
    item = library.bin.items()[0]
    assert (item.kind, item.id) == ("run", run.id)
    assert item.bytes > 0
    library.bin.restore("run", run.id)
    assert len(library.runs.all()) == 1
    assert library.measuring.result(run.id) is not None
    library.instruments.remove(library.instruments.get(piano.id))
    assert library.instruments.all() == ()
    assert library.runs.all() == ()
    freed = library.bin.empty()
    assert freed > 0
    assert list((library.folder / "audio").iterdir()) == []
    assert library.bin.items() == ()
    with pytest.raises(InputError, match="there is no instrument"):
        library.instruments.get(piano.id)
    assert library.check() == ()


def test_emptying_leaves_alone_what_was_restored_meanwhile(library: Library, run: Run) -> None:
    library.runs.remove(library.runs.get(run.id))
    items = library.bin.items()
    library.bin.restore("run", run.id)
    assert library.bin.empty(items) == 0
    assert library.measuring.result(run.id) is not None


def test_edits_can_be_undone_and_done_again(library: Library, piano: Instrument) -> None:
    library.instruments.change(replace(piano, notes="one"))
    library.instruments.change(replace(library.instruments.get(piano.id), notes="two"))
    library.history.undo()
    assert library.instruments.get(piano.id).notes == "one"
    library.history.undo()
    assert library.instruments.get(piano.id).notes == ""
    library.history.redo()
    assert library.instruments.get(piano.id).notes == "one"
    library.history.redo()
    assert library.instruments.get(piano.id).notes == "two"
    with pytest.raises(InputError, match="nothing to do again"):
        library.history.redo()
    library.history.undo()
    library.instruments.change(replace(library.instruments.get(piano.id), notes="other way"))
    with pytest.raises(InputError, match="nothing to do again"):
        library.history.redo()


def test_undo_refuses_what_was_changed_since(library: Library, piano: Instrument) -> None:
    library.instruments.change(replace(piano, notes="one"))
    act = library.history.acts()[0]
    library.instruments.change(replace(library.instruments.get(piano.id), notes="two"))
    with pytest.raises(LibraryConflict, match="changed again"):
        library.history.undo(act.id)
    assert library.instruments.get(piano.id).notes == "two"


def test_search_knows_no_capitals_and_no_accents(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    grand = library.instruments.add(Instrument(name="Flügel", maker="Straße", notes="Żółty"))
    run = library.runs.add(
        Run(instrument_id=grand.id, condition="nach der Arbeit"), write_noise(tmp_path / "a.wav")
    )
    assert [hit.id for hit in library.search("FLUGEL")] == [grand.id]
    assert [hit.id for hit in library.search("strasse flügel")] == [grand.id]
    assert [(hit.kind, hit.id) for hit in library.search("arbeit flügel")] == [("run", run.id)]
    assert library.search("") == ()
    assert library.search("%") == ()
    assert library.search("nothing of the kind") == ()
    library.instruments.remove(grand)
    assert library.search("flugel") == ()
    assert [hit.id for hit in library.search("upright")] == [piano.id]


def test_listeners_hear_of_committed_changes_only(library: Library, piano: Instrument) -> None:
    heard: list[Change] = []
    stop = library.subscribe(heard.append)
    library.instruments.change(replace(piano, notes="x"))
    with pytest.raises(LibraryConflict):
        library.instruments.change(replace(piano, notes="y"))
    assert [change.rows for change in heard] == [(("instrument", piano.id),)]
    assert heard[0].act_id is not None
    stop()
    library.instruments.add(Instrument(name="B"))
    assert len(heard) == 1


def test_another_program_s_changes_can_be_noticed(library: Library, piano: Instrument) -> None:
    before = library.data_version()
    library.instruments.change(replace(piano, notes="own"))
    assert library.data_version() == before
    with Library(library.folder) as other:
        other.instruments.add(Instrument(name="B"))
    assert library.data_version() != before


def test_threads_share_a_library(library: Library) -> None:
    faults: list[BaseException] = []

    def work(number: int) -> None:
        try:
            for turn in range(5):
                library.instruments.add(Instrument(name=f"{number}-{turn}"))
                library.search(str(number))
        except BaseException as exc:  # noqa: BLE001 -- handed to the test
            faults.append(exc)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert len(library.instruments.all()) == 20


def test_leftover_sound_is_offered_and_can_become_a_run(
    library: Library, piano: Instrument, tmp_path: Path
) -> None:
    sound = library._store.take_in(write_noise(tmp_path / "a.wav"))
    sound.temporary.rename(library._store.path_of(sound.sha256))
    assert library.leftovers() == ()  # too young to be sure
    left = library.leftovers(older_than_s=0.0)
    assert [item.path.stem for item in left] == [sound.sha256]
    made = library.adopt_leftover(left[0], Run(instrument_id=piano.id, condition="found"))
    assert library.runs.takes(made.id)[0].recordings[0].sha256 == sound.sha256
    assert library.leftovers(older_than_s=0.0) == ()
    assert library.remove_leftovers(left) == 0
    assert library.check() == ()


def test_check_finds_missing_and_changed_sound(library: Library, run: Run) -> None:
    assert library.check() == ()
    path = next((library.folder / "audio").glob("*.flac"))
    content = bytearray(path.read_bytes())
    content[-20] ^= 1
    path.write_bytes(content)
    assert ["has changed" in text for text in library.check()] == [True]
    path.unlink()
    assert ["is missing" in text for text in library.check(is_thorough=False)] == [True]
    with pytest.raises(Exception, match="is missing"):
        library.measuring.measure(run.id, Measures())
