"""Playing sounds, and signals that are no notes."""

from __future__ import annotations

import numpy as np
import pytest
import sounddevice  # noqa: TID253 -- a test costs no start

from toneapp.audio.playback import Player, Signal, matched_gains_db, signal_sound
from toneapp.errors import AudioDeviceError
from toneapp.keyboard import FULL_COMPASS
from toneapp.measure.evidence import gather_evidence
from toneapp.measure.labelling import label_run
from toneapp.measure.loudness import measure_loudness

RATE = 48_000


class Loudspeaker:
    """Keeps what it is given."""

    def __init__(self, fault: Exception | None = None) -> None:
        self.played: list[tuple[np.ndarray, float, object]] = []
        self.stopped = 0
        self.fault = fault

    def play(self, samples, samplerate, *, device) -> None:
        if self.fault is not None:
            raise self.fault
        self.played.append((samples, samplerate, device))

    def stop(self) -> None:
        self.stopped += 1


def test_a_sound_reaches_the_output_that_was_chosen_with_its_gain():
    output = Loudspeaker()
    player = Player("headphones", output=output)
    player.play(np.array([0.5, -1.0], np.float32), sample_rate_hz=RATE, gain_db=-20.0)
    ((samples, rate, device),) = output.played
    assert samples.tolist() == pytest.approx([0.05, -0.1])
    assert (rate, device) == (RATE, "headphones")
    player.stop()
    assert output.stopped == 1


def test_what_is_too_loud_is_limited():
    output = Loudspeaker()
    Player(output=output).play(np.array([0.9, -0.9]), sample_rate_hz=RATE, gain_db=6.0)
    assert output.played[0][0].tolist() == [1.0, -1.0]


@pytest.mark.parametrize(
    ("fault", "word"),
    [
        (sounddevice.PortAudioError("Error querying device -1"), "no output was found"),
        (ValueError("No output device matching 'x'"), "no output was found"),
        (sounddevice.PortAudioError("Device unavailable", -9985), "another program uses"),
        (sounddevice.PortAudioError("Unanticipated host error", -9999), "choose another output"),
    ],
)
def test_a_missing_loudspeaker_is_one_plain_line(fault, word):
    with pytest.raises(AudioDeviceError, match=word) as caught:
        Player(output=Loudspeaker(fault)).play(np.zeros(10), sample_rate_hz=RATE)
    assert "\n" not in str(caught.value)


def test_stopping_what_never_played_does_nothing():
    Player().stop()


def test_matched_sounds_are_equally_loud():
    rng = np.random.default_rng(1)
    sounds = [gain * rng.standard_normal(RATE) for gain in (0.1, 0.02, 0.05)]

    def loudness(sound: np.ndarray) -> float:
        return measure_loudness(sound, sample_rate_hz=RATE, onset_s=0.1).loudness_lkfs

    gains = matched_gains_db([loudness(sound) for sound in sounds])
    assert max(gains) == 0.0
    after = [
        loudness(sound * 10 ** (gain / 20)) for sound, gain in zip(sounds, gains, strict=True)
    ]
    assert max(after) - min(after) < 0.01


def test_silence_is_not_matched():
    assert matched_gains_db([None, -90.0, -30.0, -20.0]) == (0.0, 0.0, 0.0, -10.0)
    assert matched_gains_db([]) == ()


@pytest.mark.parametrize("signal", list(Signal))
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_signal_is_taken_for_no_note(signal, rate):
    tone = signal_sound(signal, sample_rate_hz=rate)
    assert 0.15 < tone.size / rate < 1.25
    assert float(np.max(np.abs(tone))) == pytest.approx(0.2)
    sound = 1e-4 * np.random.default_rng(2).standard_normal(3 * rate)
    sound[rate : rate + tone.size] += tone
    for late_s in (0.0, 0.004, 0.01, 0.02):  # wherever the onset is placed
        evidence = gather_evidence(
            sound, sample_rate_hz=rate, onset_s=1.0 + late_s, before_s=1.0, after_s=1.0
        )
        labels = label_run([evidence], [1.0], compass=FULL_COMPASS, order="free").labels
        assert labels[0].midi is None
