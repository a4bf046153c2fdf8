"""A strike's sound is found in its own file, also when its note was recorded again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from invented import Measures, invent_strikes, join, write_noise
from window_kit import Workshop

from toneapp.desktop.sound_places import place_of_strike, sound_places
from toneapp.keyboard import KeyboardLayout


def test_notes_recorded_again_in_several_files_lie_in_their_own(
    workshop: Workshop, tmp_path: Path
) -> None:
    library, run = workshop.library, workshop.before
    folder = tmp_path / "again"
    folder.mkdir()
    for key, name in enumerate(("a.wav", "b.wav")):
        write_noise(folder / name, key=20 + key)
    take = library.runs.add_take(run, folder, replaces=True)
    names = [recording.name for recording in take.recordings]
    blows = invent_strikes(np.random.default_rng(8), midis=(60, 61), strikes=1)
    named = [replace(blow, source=name) for blow, name in zip(blows, names, strict=True)]
    library.measuring.put_result(take.id, join(named, layout=KeyboardLayout()))
    strikes = {s.midi: s for s in library.measuring.result(run.id).strikes}
    places = sound_places(library, run.id)
    for midi, recording in zip((60, 61), take.recordings, strict=True):
        place = place_of_strike(places, strikes[midi])
        assert place is not None
        assert (place.take_id, place.part) == (take.id, recording.name)
        assert place.path == library.runs.sound_path(recording)
    whole = place_of_strike(places, strikes[62])
    assert whole is not None
    assert (whole.take_id, whole.part) == (library.runs.takes(run.id)[0].id, "")
    gone = place_of_strike(places[:1], strikes[60])
    assert gone is None  # never another note's sound


def test_a_note_recorded_again_in_one_file(workshop: Workshop, tmp_path: Path) -> None:
    library, run = workshop.library, workshop.before
    take = library.runs.add_take(run, write_noise(tmp_path / "c.wav", key=31), replaces=True)
    blows = invent_strikes(np.random.default_rng(8), midis=(60,), strikes=2)
    library.measuring.measure(run.id, Measures(join(blows, layout=KeyboardLayout())))
    strike = next(s for s in library.measuring.result(run.id).strikes if s.midi == 60)
    assert strike.source == f"take {take.number}"
    place = place_of_strike(sound_places(library, run.id), strike)
    assert place is not None
    assert place.take_id == take.id
