"""Is the room quiet enough, and is the input set right?"""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.audio.capture import RoomWord, check_room, level_lines
from toneapp.audio.capture.room_check import GainWatch, QuietMoments

RATE = 48_000


def _noise(level_dbfs: float, seconds: float = 2.5, draw: int = 0) -> np.ndarray:
    noise = np.random.default_rng(draw).standard_normal(int(seconds * RATE))
    return (noise * 10 ** (level_dbfs / 20)).astype(np.float32)


def _words(report) -> set[RoomWord]:
    return {line.word for line in report.lines}


def test_a_quiet_room_is_quiet_enough():
    report = check_room(_noise(-80.0), sample_rate_hz=RATE)
    assert _words(report) == {RoomWord.QUIET_ENOUGH}
    assert report.is_good


def test_the_level_of_white_noise_is_that_of_its_a_weighting():
    # White noise up to 24 kHz, re a full-scale sine (+3.01 dB). The A-weighting of IEC 61672-1
    # (formula E.6) integrated over 0 to 24 kHz by the trapezoid rule in 1 Hz steps takes 3.1 dB.
    report = check_room(_noise(-70.0), sample_rate_hz=RATE)
    hz = np.arange(1.0, 24_000.0)
    weight = (
        12194.0**2
        * hz**4
        / (
            (hz**2 + 20.6**2)
            * np.sqrt((hz**2 + 107.7**2) * (hz**2 + 737.9**2))
            * (hz**2 + 12194.0**2)
        )
    )
    weighted_db = 10 * np.log10(np.mean((weight * 10**0.1) ** 2))
    assert report.noise_dbfs == pytest.approx(-70.0 + 3.01 + weighted_db, abs=0.3)


def test_a_loud_room_is_noisy():
    report = check_room(_noise(-45.0), sample_rate_hz=RATE)
    assert RoomWord.NOISY in _words(report)
    assert not report.is_good


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_named_by_its_frequency(mains_hz):
    t = np.arange(int(2.5 * RATE)) / RATE
    hum = sum(
        10 ** (level / 20) * np.sin(2 * np.pi * n * mains_hz * t + n)
        for n, level in ((1, -55.0), (2, -60.0), (3, -62.0))
    )
    report = check_room(_noise(-80.0) + hum.astype(np.float32), sample_rate_hz=RATE)
    assert report.hum_hz == mains_hz
    text = next(line.text for line in report.lines if line.word is RoomWord.HUM)
    assert text.startswith(f"hum at {mains_hz:.0f} Hz: move the cable")


def test_a_tone_that_is_no_mains_is_no_hum():
    t = np.arange(int(2.5 * RATE)) / RATE
    tone = (1e-3 * np.sin(2 * np.pi * 82.4 * t)).astype(np.float32)
    assert check_room(_noise(-80.0) + tone, sample_rate_hz=RATE).hum_hz is None


def test_a_muted_input_is_told():
    report = check_room(np.zeros(RATE * 2, np.float32), sample_rate_hz=RATE)
    assert _words(report) == {RoomWord.NO_SOUND}
    assert report.noise_dbfs is None


def test_a_telephone_connection_is_told():
    spectrum = np.fft.rfft(_noise(-70.0))
    hz = np.fft.rfftfreq(int(2.5 * RATE), 1 / RATE)
    spectrum[hz > 4000] = 0
    narrow = np.fft.irfft(spectrum).astype(np.float32)
    assert RoomWord.NARROW_BAND in _words(check_room(narrow, sample_rate_hz=RATE))


@pytest.mark.parametrize(
    ("peak_dbfs", "clips", "word", "turn_db"),
    [
        (-9.0, False, RoomWord.LEVEL_GOOD, None),
        (-1.0, False, RoomWord.LOUD, -5.0),
        (0.0, False, RoomWord.CLIPS, -6.0),
        (-3.0, True, RoomWord.CLIPS, -6.0),  # a limit below full scale
        (-40.0, False, RoomWord.WEAK, 34.0),
    ],
)
def test_the_input_is_turned_by_the_loudest_blow(peak_dbfs, clips, word, turn_db):
    turn, lines = level_lines(10 ** (peak_dbfs / 20), has_clipped=clips)
    assert [line.word for line in lines] == [word]
    assert turn == (None if turn_db is None else pytest.approx(turn_db))


def test_the_words_say_how_far_to_turn():
    _, lines = level_lines(1.0, has_clipped=True)
    assert lines[0].text == "the loudest key clips: turn the input down 6 dB"


def test_quiet_moments_keep_the_quietest_and_skip_silence():
    moments = QuietMoments(RATE)
    size = moments.block_samples
    for index in range(60):
        loud = index % 2 == 0
        moments.offer(_noise(-40.0 if loud else -80.0, draw=index)[:size], at_s=0.2 * index)
    moments.offer(np.zeros(size, np.float32), at_s=12.0)
    room = moments.room(at_s=12.0)
    assert 20 * np.log10(np.std(room)) == pytest.approx(-80.0, abs=0.3)
    assert room.size == 24 * size


def test_noise_suppression_that_sets_in_is_suspected():
    falls = np.concatenate([_noise(-60.0, 0.8), _noise(-85.0, 1.7)])
    assert RoomWord.GAIN_MOVES in _words(check_room(falls, sample_rate_hz=RATE))
    rng = np.random.default_rng(1)
    steps = np.repeat(rng.normal(0.0, 6.0, 25), RATE // 10)  # somebody moves about
    restless = _noise(-65.0) * 10 ** (steps / 20)
    assert RoomWord.GAIN_MOVES not in _words(check_room(restless, sample_rate_hz=RATE))


def test_a_gain_that_is_pulled_down_by_the_note_is_suspected():
    watch = GainWatch()
    rng = np.random.default_rng(5)
    before = rng.exponential(1.0, (25, 40))
    said = [watch.add_blow(before, 0.1 * rng.exponential(1.0, (25, 40))) for _ in range(4)]
    assert said == [False, False, True, False]
    assert watch.is_suspected


def test_a_room_that_rings_on_after_the_note_is_not_suspected():
    watch = GainWatch()
    rng = np.random.default_rng(5)
    for _ in range(6):
        after = rng.exponential(1.0, (25, 20)) * 3.0
        assert not watch.add_blow(rng.exponential(1.0, (25, 40)), after)
