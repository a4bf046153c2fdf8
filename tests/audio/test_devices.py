"""Microphones and loudspeakers, as the sound system lists and refuses them."""

from __future__ import annotations

import numpy as np
import pytest
import sounddevice  # noqa: TID253 -- a test costs no start

from toneapp.audio.capture import DeviceSource, Fault, InputRefused
from toneapp.audio.capture.ring import SampleRing
from toneapp.audio.capture.sources import refusal_of
from toneapp.audio.devices import list_inputs, list_outputs, no_device_text, refresh_devices

DEVICES = [
    {"name": "Room microphone", "hostapi": 0, "max_input_channels": 2, "max_output_channels": 0,
     "default_samplerate": 48000.0},
    {"name": "Loudspeaker", "hostapi": 0, "max_input_channels": 0, "max_output_channels": 2,
     "default_samplerate": 44100.0},
]  # fmt: skip


class System:
    """The names of sounddevice that are used, with devices of our own."""

    PortAudioError = sounddevice.PortAudioError

    def __init__(self, fault: Exception | None = None) -> None:
        self.fault = fault
        self.default = type("Default", (), {"device": {"input": 0, "output": 1}})()
        self.streams: list[Stream] = []

    def query_devices(self):
        if self.fault is not None:
            raise self.fault
        return DEVICES

    def query_hostapis(self):
        return [{"name": "Test system"}]

    def InputStream(self, **words):  # noqa: N802 -- the name it has there
        if self.fault is not None:
            raise self.fault
        self.streams.append(Stream(**words))
        return self.streams[-1]

    def get_stream(self):
        raise RuntimeError("play was not called")

    def _terminate(self) -> None:
        pass

    def _initialize(self) -> None:
        pass


class Stream:
    def __init__(self, **words) -> None:
        self.words = words
        self.active = False

    def start(self) -> None:
        self.active = True

    def close(self, *, ignore_errors: bool) -> None:
        assert ignore_errors
        self.active = False


@pytest.fixture
def system(monkeypatch):
    def _use(fault: Exception | None = None) -> System:
        made = System(fault)
        monkeypatch.setattr("toneapp.audio.devices._sounddevice", lambda: made)
        monkeypatch.setattr("toneapp.audio.capture.sources._sounddevice", lambda: made)
        return made

    return _use


def test_inputs_and_outputs_are_listed_apart(system):
    system()
    (microphone,) = list_inputs()
    assert (microphone.number, microphone.name, microphone.channels) == (0, "Room microphone", 2)
    assert microphone.is_default
    assert microphone.system == "Test system"
    (loudspeaker,) = list_outputs()
    assert (loudspeaker.number, loudspeaker.usual_rate_hz) == (1, 44100)


def test_without_a_sound_system_there_are_none(system, monkeypatch):
    system(sounddevice.PortAudioError("Error querying device -1"))
    assert list_inputs() == ()
    monkeypatch.setattr("toneapp.audio.devices._sounddevice", lambda: None)
    assert list_outputs() == ()
    assert "plug a microphone in" in no_device_text("input")


def test_blocks_of_a_microphone_reach_the_ring(system):
    made = system()
    source = DeviceSource("Room microphone", sample_rate_hz=48_000, channels=2, channel=1)
    ring = SampleRing(4800, 2)
    reader = ring.reader()
    source.start(ring)
    assert source.is_alive
    words = made.streams[0].words
    assert (words["samplerate"], words["channels"], words["dtype"]) == (48_000, 2, "float32")
    assert words["blocksize"] == 512
    status = type("Status", (), {"input_overflow": False})()
    block = np.ones((512, 2), np.float32)
    words["callback"](block, 512, None, status)
    status.input_overflow = True
    words["callback"](2 * block, 512, None, status)
    assert len(reader.take(10_000).samples) == 512
    assert [mark.kind for mark in reader.take(10_000).marks] == ["overflow"]
    source.stop()
    assert not source.is_alive


def test_a_channel_that_is_not_there_is_refused():
    with pytest.raises(ValueError, match="not one of 1"):
        DeviceSource(channels=1, channel=1)


@pytest.mark.parametrize(
    ("exc", "fault", "word"),
    [
        (("Invalid sample rate", -9997), Fault.RATE_CHANGED, "choose another rate"),
        (("Device unavailable", -9985), Fault.DEVICE_TAKEN, "another program"),
        (("Invalid number of channels", -9998), Fault.NO_DEVICE, "fewer channels"),
        (("Error querying device -1",), Fault.NO_DEVICE, "plug a microphone in"),
        (("Unanticipated host error", -9999), Fault.DEVICE_GONE, "choose another input"),
    ],
)
def test_every_refusal_is_one_plain_line(system, exc, fault, word):
    system(sounddevice.PortAudioError(*exc))
    with pytest.raises(InputRefused, match=word) as caught:
        DeviceSource("Room microphone").start(SampleRing(100, 1))
    assert caught.value.fault is fault
    assert "\n" not in str(caught.value)


def test_a_name_that_fits_no_input_is_told():
    refused = refusal_of(
        ValueError("No input device matching 'x'"), name="x", sample_rate_hz=48_000
    )
    assert refused.fault is Fault.NO_DEVICE


def test_devices_are_not_looked_for_while_a_stream_is_open(system):
    made = system()
    ring = SampleRing(1000, 1)
    source = DeviceSource("any")
    source.start(ring)
    assert refresh_devices() is False
    source.stop()
    assert refresh_devices() is True
    assert made.streams[0].active is False


def test_devices_are_not_looked_for_while_something_is_played(system):
    made = system()
    playing = Stream()
    playing.active = True
    made.get_stream = lambda: playing
    made.stop = playing.start
    assert refresh_devices() is False
    playing.active = False
    assert refresh_devices() is True
