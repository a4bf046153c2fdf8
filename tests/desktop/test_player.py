"""A missing loudspeaker is one sentence, never the end of the program."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from toneapp.desktop.listening import Clip
from toneapp.desktop.player import Player
from toneapp.errors import AudioDeviceError

CLIP = Clip(
    samples=np.zeros(480, dtype=np.float32), sample_rate_hz=48_000.0, gain_db=0.0, text="C4"
)


class Loudspeaker:
    def __init__(self, error: Exception | None = None) -> None:
        self.error = error
        self.played: list[tuple[int, float]] = []
        self.stops = 0

    def play(self, samples: np.ndarray, samplerate: float) -> None:
        if self.error is not None:
            raise self.error
        self.played.append((samples.size, samplerate))

    def stop(self) -> None:
        self.stops += 1


def test_a_clip_goes_to_the_loudspeaker() -> None:
    output = Loudspeaker()
    player = Player(output)
    assert player.play(CLIP) == "C4"
    assert output.played == [(480, 48_000.0)]
    player.stop()
    assert output.stops == 1


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (ValueError("No output device matching 'pulse'"), "no loudspeaker was found"),
        (OSError("device busy"), "cannot be used"),
    ],
)
def test_what_a_device_says_becomes_one_sentence(error: Exception, said: str) -> None:
    with pytest.raises(AudioDeviceError, match=said) as caught:
        Player(Loudspeaker(error)).play(CLIP)
    assert "\n" not in str(caught.value)


def test_a_fault_of_ours_is_not_hidden() -> None:
    with pytest.raises(TypeError):
        Player(Loudspeaker(TypeError("wrong"))).play(CLIP)


def test_a_missing_system_library_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(AudioDeviceError, match="PortAudio"):
        Player().play(CLIP)


def test_stopping_what_never_began_asks_no_system(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)  # its import would be told
    player = Player()
    player.stop()
    with pytest.raises(AudioDeviceError, match="PortAudio"):
        player.play(CLIP)
    player.stop()  # nothing plays after that either


def test_a_loudspeaker_that_cannot_stop_is_said() -> None:
    class Stuck(Loudspeaker):
        def stop(self) -> None:
            raise OSError("device lost")

    player = Player(Stuck())
    player.play(CLIP)
    with pytest.raises(AudioDeviceError, match="device lost"):
        player.stop()
