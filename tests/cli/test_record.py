"""``toneapp record`` and ``toneapp devices``, as a user types them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.audio.capture import RunFolder, RunPlan, find_unfinished
from toneapp.audio.capture.wav_part import WavPart
from toneapp.cli import main
from toneapp.library import Instrument, Library
from toneapp.simulate import Blow, Disturbance, Room, make_piano, render

RATE = 48_000
KEYS = "C3 G3 C4"


@dataclass(frozen=True)
class Place:
    """A library with one instrument, and a recording of a short run."""

    library: Path
    file: Path
    samples: np.ndarray


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    """C3 good, G3 spoilt by a thump, G3 good, C4 good."""
    rng = np.random.default_rng(21)
    piano = make_piano(rng, kind="upright")
    events = [
        Blow(midi=midi, onset_s=1.2 + 2.2 * i, hold_s=1.3, velocity_m_per_s=2.0)
        for i, midi in enumerate((48, 55, 55, 60))
    ]
    thump = Disturbance(kind="thump", onset_s=4.1, duration_s=0.2, level_db=-8.0)
    return render(piano, [*events, thump], Room(t60_s=0.4, snr_db=50.0), rng=rng).audio


@pytest.fixture
def place(tmp_path: Path, sound: np.ndarray) -> Place:
    file = tmp_path / "played.wav"
    soundfile.write(file, sound, RATE, subtype="FLOAT")
    with Library(tmp_path / "library") as library:
        library.instruments.add(Instrument(name="Old upright"))
    return Place(library=tmp_path / "library", file=file, samples=sound)


def _record(place: Place, *words: str) -> int:
    return main(["record", "--library", str(place.library), "--file", str(place.file), *words])


def test_a_run_is_led_through_and_kept(place, capsys):
    code = _record(
        place, "--instrument", "upright", "--notes", KEYS, "--hold", "1", "--jobs", "1",
        "--condition", "as it came",
    )  # fmt: skip
    said = capsys.readouterr()
    assert code == 0, said.err
    lines = said.out.splitlines()
    assert lines[0] == "Recording from played.wav: 3 blows"
    blows = [line for line in lines if "cents" in line]
    assert [line.split("  ")[:2] for line in blows] == [
        ["C3", "good"],
        ["G3", "a noise fell into it"],
        ["G3", "good"],
        ["C4", "good"],
    ]
    assert "Run 1 is in the library" in lines
    assert list((place.library / "recordings").iterdir()) == []
    with Library(place.library) as library:
        (run,) = library.runs.all()
        assert (run.condition, run.purpose.value) == ("as it came", "evenness")
        result = library.measuring.result(run.id)
        assert [strike.midi for strike in result.strikes] == [48, 55, 60]
        (recording,) = library.runs.takes(run.id)[0].recordings
        kept, _ = soundfile.read(library.runs.sound_path(recording), dtype="float32")
    played = place.samples[: kept.size]
    assert np.max(np.abs(kept - played)) < 2.0**-23


def test_a_run_goes_into_a_file_without_a_library(place, tmp_path, capsys):
    out = tmp_path / "run.flac"
    assert _record(place, "--out", str(out), "--notes", KEYS, "--hold", "1", "--json", "-") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["run"] is None
    assert data["missing"] == []
    assert [blow["reasons"] for blow in data["blows"]] == [["good"], ["noise"], ["good"], ["good"]]
    assert soundfile.info(out).frames == pytest.approx(data["duration_s"] * RATE)


def test_what_was_not_played_is_named(place, tmp_path, capsys):
    out = str(tmp_path / "run.flac")
    assert _record(place, "--out", out, "--notes", f"{KEYS} E4", "--hold", "1") == 0
    assert "Not played: E4" in capsys.readouterr().out.splitlines()


def test_notes_are_recorded_again_beside_their_run(place, capsys):
    first = ("--instrument", "1", "--notes", KEYS, "--hold", "1", "--jobs", "1")
    assert _record(place, *first) == 0
    again = ("--again", "1", "--notes", "C3", "--hold", "1", "--condition", "hammer pricked")
    assert _record(place, *again, "--jobs", "1") == 0
    assert "Run 1 is in the library" in capsys.readouterr().out
    with Library(place.library) as library:
        takes = library.runs.takes(1)
    assert [(take.kind, take.note) for take in takes] == [("run", ""), ("notes", "hammer pricked")]


def _leave_behind(place: Place, seconds: float) -> None:
    """A run as a program leaves it that dies."""
    plan = RunPlan(notes=(48, 55, 60), hold_s=1.0)
    facts = {
        "instrument": 1, "condition": "before", "place": "", "microphone": "", "out": None,
        "again": None,
    }  # fmt: skip
    folder = RunFolder.create(
        place.library / "recordings", plan=plan, facts=facts, sample_rate_hz=RATE, channels=1
    )
    part = WavPart(folder.new_part_path(), sample_rate_hz=RATE, channels=1)
    part.append(place.samples[: int(seconds * RATE), None])
    folder.sync_journal()
    folder.release()


def test_a_run_left_behind_is_offered_and_gone_on_with(place, capsys):
    _leave_behind(place, 0.5)
    assert _record(place, "--instrument", "1") == 1
    complaint = capsys.readouterr().err
    assert "(0 of 3 blows) was left unfinished; go on with --resume" in complaint
    assert len(complaint.splitlines()) == 1
    assert _record(place, "--resume", "--jobs", "1") == 0
    assert "The recording was interrupted and gone on with" in capsys.readouterr().out
    with Library(place.library) as library:
        (run,) = library.runs.all()
        assert run.condition == "before"
        assert "interrupted" in run.notes
        (recording,) = library.runs.takes(run.id)[0].recordings
        assert recording.frames > (0.5 + 7.0) * RATE
    assert find_unfinished(place.library / "recordings") == ()


def test_a_run_left_behind_is_closed_as_it_is(place, capsys):
    _leave_behind(place, 3.0)
    assert main(["record", "--library", str(place.library), "--finish"]) == 0
    said = capsys.readouterr().out
    assert "Not played: C3, G3, C4" in said  # none of its blows was in the journal
    with Library(place.library) as library:
        (run,) = library.runs.all()
        (recording,) = library.runs.takes(run.id)[0].recordings
    assert recording.frames == 3 * RATE


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ((), "say where the run goes"),
        (("--instrument", "1", "--out", "x.flac"), "say where the run goes"),
        (("--instrument", "grand"), "no instrument is called"),
        (("--out", "x.flac", "--notes", "H9"), "not a note name"),
        (("--out", "x.flac", "--compass", "C9-A0"), "compass"),
        (("--out", "x.flac", "--notes", "A0", "--compass", "C4-C5"), "no key of C4-C5 is left"),
        (("--out", "x.flac", "--hold", "99"), "cannot be"),
        (("--out", "x.flac", "--worklist"), "--worklist goes with --again"),
        (("--resume",), "no run was left unfinished"),
    ],
)
def test_what_cannot_be_done_is_one_line(place, capsys, words, complaint):
    assert _record(place, *words) == 1
    error = capsys.readouterr().err
    assert complaint in error
    assert len(error.splitlines()) == 1
    folder = place.library / "recordings"
    assert not folder.is_dir() or list(folder.iterdir()) == []


def test_without_a_microphone_it_says_so_and_leaves_nothing(tmp_path, capsys, monkeypatch):
    from toneapp.audio.capture import sources
    from toneapp.errors import AudioDeviceError

    def none() -> None:
        raise sources.InputRefused("the system's input is not there", sources.Fault.NO_DEVICE)

    assert issubclass(sources.InputRefused, AudioDeviceError)
    monkeypatch.setattr(sources, "_sounddevice", none)
    words = ["record", "--library", str(tmp_path), "--out", str(tmp_path / "x.flac")]
    assert main(words) == 1
    assert capsys.readouterr().err == "toneapp: the system's input is not there\n"
    assert list((tmp_path / "recordings").iterdir()) == []


def test_devices_are_listed_even_when_there_are_none(capsys, monkeypatch):
    monkeypatch.setattr("toneapp.audio.devices._sounddevice", lambda: None)
    assert main(["devices"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "Inputs",
        "  no input was found: plug a microphone in, then look again",
        "Outputs",
        "  no output was found: plug loudspeakers or headphones in, then look again",
    ]
    assert main(["devices", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out) == {"inputs": [], "outputs": []}
