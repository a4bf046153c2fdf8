"""The level of an input and the words about the room, before anything is recorded."""

from __future__ import annotations

import time

import numpy as np
import pytest
import soundfile

from toneapp.audio.capture import Fault, FileSource, InputMonitor, InputRefused, RoomWord

RATE = 48_000
PATIENCE_S = 60.0


def listen(path, is_so, *, kind=FileSource):
    """Listen to a file until something is so; the reading."""
    monitor = InputMonitor(kind(path))
    monitor.start()
    try:
        end_s = time.monotonic() + PATIENCE_S
        while not is_so(monitor.reading()):
            assert time.monotonic() < end_s, monitor.reading()
            time.sleep(0.01)
        return monitor.reading()
    finally:
        monitor.stop()


def words(reading):
    return {line.word for line in reading.report.lines}


@pytest.fixture
def room(tmp_path):
    """Write seconds of a quiet room with something added to it."""

    def _write(seconds, added=None):
        noise = 1e-4 * np.random.default_rng(1).standard_normal(int(seconds * RATE))
        if added is not None:
            noise[-added.size :] += added
        path = tmp_path / "room.wav"
        soundfile.write(path, noise, RATE, subtype="FLOAT")
        return path

    return _write


def tone(seconds, peak):
    t = np.arange(int(seconds * RATE)) / RATE
    return peak * np.sin(2 * np.pi * 440.0 * t)


def test_a_quiet_room_is_said_to_be_quiet_and_no_level_is_made_up(room):
    reading = listen(room(4.0), lambda r: r.listened_s >= 3.9)
    assert words(reading) == {RoomWord.QUIET_ENOUGH}
    assert reading.report.peak_dbfs is None


def test_the_room_is_that_of_the_quiet_and_the_level_that_of_the_loudest_key(room):
    reading = listen(room(8.0, tone(4.0, 0.25)), lambda r: r.listened_s >= 7.9)
    assert words(reading) == {RoomWord.QUIET_ENOUGH, RoomWord.LEVEL_GOOD}
    assert reading.report.peak_dbfs == pytest.approx(-12.04, abs=0.1)  # 20 log10 0.25
    assert reading.highest_dbfs == pytest.approx(-12.04, abs=0.1)
    assert not reading.has_clipped


def test_a_key_that_clips_is_said_with_what_to_do(room):
    reading = listen(room(5.0, tone(1.0, 1.2).clip(-1, 1)), lambda r: r.listened_s >= 4.9)
    assert RoomWord.CLIPS in words(reading)
    assert reading.report.turn_db == -6.0
    assert reading.has_clipped


def test_an_input_that_is_refused_is_said_and_tried_again(room):
    class Late(FileSource):
        tries = 0

        def start(self, ring):
            Late.tries += 1
            if Late.tries == 1:
                raise InputRefused("the desk is used by another program", Fault.DEVICE_TAKEN)
            super().start(ring)

    path = room(4.0)
    said = []

    def has_come(reading):
        said.append(reading.fault_text)
        return reading.listened_s >= 3.9

    reading = listen(path, has_come, kind=Late)
    assert "the desk is used by another program" in said
    assert reading.fault_text == ""


def test_a_microphone_that_stops_is_said(room):
    class Stalls(FileSource):
        is_live = True

        @property
        def has_ended(self):
            return False

        @has_ended.setter
        def has_ended(self, _is_over):
            pass

    reading = listen(room(1.0), lambda r: bool(r.fault_text), kind=Stalls)
    assert reading.fault_text == "the microphone is gone: plug it in again"
