"""A recorded run comes into the library."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from toneapp.audio.capture import Ask, Blow, ClosedRun, Reason, RunFolder, RunKind, RunPlan
from toneapp.errors import InputError
from toneapp.library import EditAction, Instrument, Library, Purpose
from toneapp.library.recorded import RecordedFacts, lay_in_bin, take_in

RATE = 48_000


@pytest.fixture
def library(tmp_path):
    with Library(tmp_path / "library") as made:
        made.instruments.add(Instrument(name="Old upright"))
        yield made


def blow(number: int, midi: int, *reasons: Reason, counts: bool = True, at_s: float = 1.0) -> Blow:
    return Blow(
        number=number,
        ask=Ask(index=number - 1, midi=midi),
        midi=midi,
        reasons=reasons or (Reason.GOOD,),
        onset_s=at_s,
        end_s=at_s + 1.0,
        release_s=None,
        hold_s=None,
        is_counted=counts,
        disturbed_at_s=() if counts else (at_s + 0.5,),
    )


@pytest.fixture
def closed(tmp_path):
    """Close a recording in two parts with some blows."""

    def _closed(*blows: Blow, kind: RunKind = RunKind.EVENNESS) -> ClosedRun:
        folder = RunFolder.create(
            tmp_path / "recordings",
            plan=RunPlan(kind=kind, notes=(60, 62, 64)),
            facts={},
            sample_rate_hz=RATE,
            channels=1,
        )
        parts = []
        for number in range(2):
            path = folder.path / f"part-{number + 1:04d}.wav"
            noise = np.random.default_rng(number).integers(-99, 99, RATE) / (1 << 15)
            soundfile.write(path, noise, RATE, subtype="PCM_16")
            parts.append(path)
        folder.release()
        return ClosedRun(
            folder=folder,
            parts=tuple(parts),
            frames=2 * RATE,
            blows=blows,
            is_done=False,
            overruns=0,
            lost_frames=0,
            problems=("the computer was too slow at 3.0 s",),
        )

    return _closed


FACTS = RecordedFacts(instrument=1, condition="before", place="hall", microphone="at the lid")


def edits(library: Library, run_id: int) -> list[tuple[EditAction, float, int | None]]:
    take = library.runs.takes(run_id)[-1]
    return [(e.action, e.onset_s, e.midi) for e in library.strikes.of_take(take.id)]


def test_the_parts_come_in_as_one_recording_with_the_facts(library, closed):
    run = take_in(library, closed(blow(1, 60)), FACTS)
    assert (run.instrument_id, run.condition, run.place) == (1, "before", "hall")
    assert (run.purpose, run.microphone) == (Purpose.EVENNESS, "at the lid")
    assert run.notes == "the computer was too slow at 3.0 s"
    (recording,) = library.runs.takes(run.id)[0].recordings
    sound, _ = soundfile.read(library.runs.sound_path(recording))
    expected = [np.random.default_rng(n).integers(-99, 99, RATE) / (1 << 15) for n in range(2)]
    assert np.array_equal(sound, np.concatenate(expected))
    assert edits(library, run.id) == []


def test_what_does_not_count_stays_out_and_what_was_kept_is_named(library, closed):
    run = take_in(
        library,
        closed(
            blow(1, 60, Reason.NOISE, counts=False, at_s=1.0),
            blow(2, 62, Reason.WRONG_KEY, at_s=2.6),  # kept by the person
        ),
        FACTS,
    )
    assert edits(library, run.id) == [
        (EditAction.DISCARD, 1.0, None),
        (EditAction.DISCARD, 1.5, None),
        (EditAction.RELABEL, 2.6, 62),
    ]


def test_a_repetition_run_names_its_keys(library, closed):
    run = take_in(library, closed(blow(1, 60), kind=RunKind.REPETITION), FACTS)
    assert edits(library, run.id) == [(EditAction.RELABEL, 1.0, 60)]


def test_notes_once_more_stand_beside_their_run(library, closed):
    run = take_in(library, closed(blow(1, 60)), FACTS)
    again = take_in(library, closed(blow(1, 60)), replace(FACTS, again=run.id, instrument=None))
    assert again.id == run.id
    assert len(library.runs.takes(run.id)) == 2


def test_what_is_not_wanted_lies_in_the_bin_and_comes_back(library, closed):
    run = take_in(library, closed(blow(1, 60)), FACTS)
    binned = lay_in_bin(library, closed(), replace(FACTS, again=run.id, instrument=None))
    assert binned.deleted_at is not None
    assert [item.id for item in library.runs.all()] == [run.id]
    assert len(library.bin.items()) == 1


def test_a_recording_without_an_instrument_is_refused_and_stays(library, closed):
    recording = closed(blow(1, 60))
    with pytest.raises(InputError, match="belongs to no instrument"):
        take_in(library, recording, RecordedFacts())
    assert all(Path(part).is_file() for part in recording.parts)
