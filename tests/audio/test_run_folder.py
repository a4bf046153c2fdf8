"""A run that is left behind is found as it was, and gone on with."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.audio.capture import (
    Blow,
    Reason,
    RunFolder,
    RunPlan,
    find_unfinished,
    join_parts,
)
from toneapp.audio.capture.run_folder import blow_from_json, blow_to_json
from toneapp.audio.capture.wav_part import WavPart
from toneapp.errors import AudioFileError, OutputError
from toneapp.keyboard import Compass

RATE = 8_000
PLAN = RunPlan(compass=Compass.parse("C4-G4"), hold_s=1.0)


def _sound(seconds: float, draw: int = 0) -> np.ndarray:
    rng = np.random.default_rng(draw)
    return (0.1 * rng.standard_normal((int(seconds * RATE), 1))).astype(np.float32)


def _blow(number: int, *, end_s: float, counted: bool = True, filled: int | None = None) -> Blow:
    ask = PLAN.asks()[number - 1]
    return Blow(
        number=number,
        ask=ask,
        midi=ask.midi,
        reasons=(Reason.GOOD,) if counted else (Reason.NOISE, Reason.TOO_SOFT),
        onset_s=end_s - 1.5,
        end_s=end_s,
        release_s=end_s - 0.3,
        hold_s=1.2,
        cents=-1.25,
        level_db=-30.0,
        disturbed_at_s=() if counted else (end_s - 1.0, end_s - 0.8),
        is_counted=counted,
        filled=number - 1 if filled is None else filled,
    )


def _recorded(parent: Path, *, seconds: float = 4.0, blows: tuple[Blow, ...] = ()) -> RunFolder:
    """A run as a program leaves it that dies now: nothing is closed."""
    folder = RunFolder.create(
        parent, plan=PLAN, facts={"instrument": 3}, sample_rate_hz=RATE, channels=1
    )
    part = WavPart(folder.new_part_path(), sample_rate_hz=RATE, channels=1)
    folder.parts.append(part.path)
    part.append(_sound(seconds))
    for blow in blows:
        folder.note({"blow": blow_to_json(blow)})
    folder.sync_journal()
    folder.release()  # as the operating system does with the lock of a dead process
    return folder


def test_a_run_left_behind_is_found_as_it_was(tmp_path):
    blows = (_blow(1, end_s=2.0), _blow(2, end_s=3.5, counted=False))
    made = _recorded(tmp_path, blows=blows)
    (found,) = find_unfinished(tmp_path)
    assert found.folder == made.path
    assert found.plan == PLAN
    assert found.facts == {"instrument": 3}
    assert found.blows == blows
    assert found.duration_s == pytest.approx(4.0)
    assert found.key_plan().current.midi == 61
    sound, _ = soundfile.read(found.parts[0][0], dtype="float32")
    assert np.array_equal(sound, _sound(4.0)[:, 0])
    assert found.problems == ("the recording was interrupted and gone on with",)


def test_a_blow_whose_sound_did_not_reach_the_disk_is_asked_for_again(tmp_path):
    _recorded(tmp_path, seconds=2.5, blows=(_blow(1, end_s=2.0), _blow(2, end_s=3.5)))
    (found,) = find_unfinished(tmp_path)
    assert [blow.number for blow in found.blows] == [1]
    assert found.key_plan().current.midi == 61


def test_a_torn_journal_is_read_as_far_as_it_goes_and_written_on(tmp_path):
    made = _recorded(tmp_path, blows=(_blow(1, end_s=2.0),))
    journal = made.path / "journal.jsonl"
    journal.write_bytes(journal.read_bytes() + b'{"blow": {"number": 2, "mi')
    (found,) = find_unfinished(tmp_path)
    assert [blow.number for blow in found.blows] == [1]
    again = RunFolder.go_on(found)
    again.note({"blow": blow_to_json(_blow(2, end_s=3.5))})
    again.sync_journal()
    again.release()
    (found,) = find_unfinished(tmp_path)
    assert [blow.number for blow in found.blows] == [1, 2]
    for line in journal.read_text().splitlines():
        json.loads(line)


def test_what_was_revised_and_left_out_is_remembered(tmp_path):
    made = _recorded(tmp_path, blows=(_blow(1, end_s=2.0),))
    (found,) = find_unfinished(tmp_path)
    folder = RunFolder.go_on(found)
    folder.note({"blow": blow_to_json(replace(_blow(1, end_s=2.0), is_counted=False))})
    folder.note({"left_out": [2]})
    folder.sync_journal()
    folder.release()
    (found,) = find_unfinished(tmp_path)
    plan = found.key_plan()
    assert plan.current.midi == 63  # after the last that was dealt with
    assert plan.open_keys == (60, 61)
    assert found.left_out == (2,)
    assert made.path == found.folder


def test_a_run_in_use_is_not_offered(tmp_path):
    made = RunFolder.create(tmp_path, plan=PLAN, facts={}, sample_rate_hz=RATE, channels=1)
    assert find_unfinished(tmp_path) == ()
    assert made.path.is_dir()
    made.release()


def test_two_cannot_go_on_with_the_same_run(tmp_path):
    _recorded(tmp_path)
    (found,) = find_unfinished(tmp_path)
    first = RunFolder.go_on(found)
    with pytest.raises(OutputError, match="in use by another window"):
        RunFolder.go_on(found)
    first.release()


def test_a_folder_without_sound_is_tidied_away(tmp_path):
    RunFolder.create(tmp_path, plan=PLAN, facts={}, sample_rate_hz=RATE, channels=1).release()
    assert find_unfinished(tmp_path) == ()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_understood_is_left_alone(tmp_path):
    made = _recorded(tmp_path)
    (made.path / "run.json").write_text("{}")
    assert find_unfinished(tmp_path) == ()
    assert (made.path / "part-0001.wav").is_file()


def test_no_folder_no_runs(tmp_path):
    assert find_unfinished(tmp_path / "nothing") == ()


def test_a_journal_entry_that_cannot_be_written_is_kept_for_later(tmp_path, monkeypatch):
    made = RunFolder.create(tmp_path, plan=PLAN, facts={}, sample_rate_hz=RATE, channels=1)
    made.note({"problem": "first"})
    made.sync_journal()
    made.note({"problem": "second"})
    with monkeypatch.context() as patch:

        def full(_handle: int) -> None:
            raise OSError(28, "No space left on device")

        patch.setattr("toneapp.audio.capture.run_folder.os.fsync", full)
        with pytest.raises(OSError, match="No space"):
            made.sync_journal()
    made.sync_journal()
    lines = (made.path / "journal.jsonl").read_text().splitlines()
    assert [json.loads(line)["problem"] for line in lines] == ["first", "second"]
    made.release()


@pytest.mark.parametrize("counted", [True, False])
def test_a_blow_survives_json(counted):
    blow = _blow(3, end_s=5.0, counted=counted)
    assert blow_from_json(json.loads(json.dumps(blow_to_json(blow))), PLAN.asks()) == blow


def test_parts_are_joined_without_loss(tmp_path):
    # What a converter of 24 bits delivers.
    sounds = [np.round(_sound(1.5, draw) * 2**23) / 2**23 for draw in (1, 2)]
    paths = []
    for number, sound in enumerate(sounds):
        part = WavPart(tmp_path / f"part-{number}.wav", sample_rate_hz=RATE, channels=1)
        part.append(sound)
        part.close()
        paths.append(part.path)
    shares: list[float] = []
    join_parts(paths, tmp_path / "run.flac", progress=shares.append)
    read, rate = soundfile.read(tmp_path / "run.flac", dtype="float32", always_2d=True)
    assert rate == RATE
    assert np.array_equal(read, np.concatenate(sounds))
    assert shares[-1] == 1.0


def test_nothing_to_join_is_told(tmp_path):
    with pytest.raises(AudioFileError, match="holds no sound"):
        join_parts([], tmp_path / "run.flac")
