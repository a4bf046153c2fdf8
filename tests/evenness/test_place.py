"""What room and microphone add, told by the keys that share frequencies."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from toneapp.evenness.partial_levels import attack_of, partial_levels
from toneapp.evenness.place import strikes_with_place
from toneapp.evenness.spectrum_model import shared_place
from toneapp.measure.stiff_string import partial_frequency_hz
from toneapp.pitch import midi_to_hz, note_name
from toneapp.results import StrikeResult

KEYS = np.arange(28, 92)


def room_db(frequency_hz: np.ndarray, *, rng: np.random.Generator) -> np.ndarray:
    """Response of a reverberant room: the sum of many paths with random delays and sizes.

    Its level scatters over frequency and changes within a few hertz (M. R. Schroeder and
    K. H. Kuttruff, J. Acoust. Soc. Am. 34, 76 (1962): 5.6 dB where reverberation is all there is).
    """
    delay_s = rng.exponential(0.05, 300)
    size = rng.normal(0.0, 1.0, 300) * np.exp(-delay_s / 0.1)
    size *= 0.45 / np.sqrt(np.sum(size**2))
    paths = np.exp(-2j * np.pi * frequency_hz[:, None] * delay_s[None, :]) @ size
    return np.asarray(20.0 * np.log10(np.abs(1.0 + paths)))


def strikes_of(
    *, rng: np.random.Generator, room_seed: int | None, rest_db: float = 1.5
) -> tuple[list[StrikeResult], dict[int, float]]:
    """One blow on each key of a made-up instrument, and what its room adds to the brightness."""
    strikes, added = [], {}
    for midi in KEYS.tolist():
        f0, b = midi_to_hz(midi + rng.normal(0.0, 0.01)), 10.0 ** (-4.3 + 0.03 * (midi - 40))
        n = np.arange(1, 40)
        hz = partial_frequency_hz(n, f0_hz=f0, inharmonicity=b)
        n, hz = n[hz < 9000.0], hz[hz < 9000.0]
        dry = -12.0 * np.log2(n) * (0.5 + 0.01 * (midi - 28)) + rng.normal(0.0, rest_db, n.size)
        room = np.zeros(n.size)
        if room_seed is not None:
            room = room_db(hz, rng=np.random.default_rng(room_seed))
        level = dry + room
        strikes.append(
            StrikeResult(
                midi=midi, note=note_name(midi), onset_s=float(midi), end_s=midi + 1.0, f0_hz=f0,
                B=b, level_db=float(10 * np.log10(np.sum(10 ** (level / 10)))),
                brightness=centroid_oct(hz, level), brightness_se=0.01,
                attack_db=tuple(level.tolist()),
            )
        )  # fmt: skip
        added[midi] = centroid_oct(hz, level) - centroid_oct(hz, dry)
    return strikes, added


def centroid_oct(hz: np.ndarray, level_db: np.ndarray) -> float:
    size = 10.0 ** (0.05 * level_db)
    return float(np.log2(np.sum(hz * size) / np.sum(size) / hz[0]))


@pytest.mark.parametrize("room_seed", [3, 4, 5])
def test_what_the_room_adds_is_found(room_seed):
    strikes, added = strikes_of(rng=np.random.default_rng(1), room_seed=room_seed)
    found = strikes_with_place(strikes)
    truth = np.array([added[s.midi] for s in found])
    told = np.array([s.place_oct for s in found])
    truth, told = truth - truth.mean(), told - told.mean()
    assert np.corrcoef(truth, told)[0, 1] > 0.8
    assert np.std(truth - told) < 0.65 * np.std(truth)
    z = (truth - told) / np.array([s.place_oct_se for s in found])
    assert 0.6 < np.std(z) < 1.5


def test_without_a_room_no_place_is_found():
    strikes, _ = strikes_of(rng=np.random.default_rng(2), room_seed=None)
    levels = partial_levels(strikes, [attack_of(s) for s in strikes])
    place = shared_place(levels.midi, levels.number, levels.frequency_hz, levels.level_db)
    assert np.std(place.at(levels.frequency_hz)) < 0.5


def test_single_partials_count_less_than_all_together():
    """Hammers that tilt the spectrum, beside partials that stand out by themselves."""
    rng = np.random.default_rng(8)
    strikes, _ = strikes_of(rng=rng, room_seed=None, rest_db=3.0)
    tilts = rng.normal(0.0, 1.0, len(strikes))
    struck = [tilted(s, tilt) for s, tilt in zip(strikes, tilts, strict=True)]
    found = strikes_with_place(struck)
    heard = np.array([s.brightness for s in struck])
    kept = np.array([s.brightness - s.place_oct for s in found])
    x = np.arange(heard.size)
    off = [v - np.polyval(np.polyfit(x, v, 4), x) for v in (heard, kept)]
    before, after = (np.corrcoef(v, tilts)[0, 1] for v in off)
    assert after > before + 0.03


def tilted(strike: StrikeResult, db_per_oct: float) -> StrikeResult:
    level = np.array(strike.attack_db)
    number = np.arange(1, level.size + 1)
    level = level + db_per_oct * np.log2(number)
    hz = partial_frequency_hz(number, f0_hz=strike.f0_hz, inharmonicity=strike.B)
    return dataclasses.replace(
        strike, attack_db=tuple(level.tolist()), brightness=centroid_oct(hz, level)
    )


@pytest.mark.parametrize("at", [20, 30, 40])
def test_a_bright_hammer_is_not_taken_for_the_room(at):
    strikes, _ = strikes_of(rng=np.random.default_rng(3), room_seed=6)
    plain = strikes_with_place(strikes)[at]
    hard = tilted(strikes[at], 4.0)
    by_hammer = hard.brightness - strikes[at].brightness
    strikes[at] = hard
    found = strikes_with_place(strikes)[at]
    seen = (found.brightness - found.place_oct) - (plain.brightness - plain.place_oct)
    assert seen == pytest.approx(by_hammer, rel=0.2)


def test_loudness_of_the_blow_does_not_matter():
    strikes, _ = strikes_of(rng=np.random.default_rng(4), room_seed=7)
    softer = [
        dataclasses.replace(
            s,
            level_db=s.level_db - 6.0 * (s.midi % 3),
            attack_db=tuple(level - 6.0 * (s.midi % 3) for level in s.attack_db),
        )
        for s in strikes
    ]
    first = np.array([s.place_oct for s in strikes_with_place(strikes)])
    second = np.array([s.place_oct for s in strikes_with_place(softer)])
    assert second == pytest.approx(first, abs=1e-6)


def test_few_keys_tell_nothing():
    strikes, _ = strikes_of(rng=np.random.default_rng(5), room_seed=8)
    assert all(s.place_oct is None for s in strikes_with_place(strikes[:8]))


def test_strikes_without_partials_are_left_alone():
    strikes, _ = strikes_of(rng=np.random.default_rng(6), room_seed=9)
    strikes[3] = dataclasses.replace(strikes[3], attack_db=())
    strikes[4] = dataclasses.replace(strikes[4], f0_hz=None)
    found = strikes_with_place(strikes)
    assert found[3] == strikes[3]
    assert found[4] == strikes[4]
    assert found[5].place_oct is not None


def test_the_covariance_is_that_of_a_gaussian_process():
    """The weights by hand, from the textbook's formulas (Rasmussen and Williams 2006, ch. 2)."""
    strikes, _ = strikes_of(rng=np.random.default_rng(7), room_seed=10)
    rows = [
        (s.midi, n + 1, partial_frequency_hz(n + 1, f0_hz=s.f0_hz, inharmonicity=s.B), level)
        for s in strikes
        for n, level in enumerate(s.attack_db[:8])
    ]
    midi, number, hz, level = np.array(rows, dtype=np.float64).T
    place = shared_place(midi, number, hz, level)
    whole = place.factor @ place.factor.T
    assert place.weights == pytest.approx(np.linalg.solve(whole, level - np.median(level)))
    distance = np.sqrt(3.0) * np.abs(hz[:, None] - hz[None, :]) / place.reach_hz
    shared = place.place_db**2 * (1.0 + distance) * np.exp(-distance)
    assert place.at(hz) == pytest.approx(shared @ place.weights)
    parts = np.zeros((hz.size, 1))
    parts[10] = 1.0
    variance = shared[10, 10] - shared[10] @ np.linalg.solve(whole, shared[10])
    assert place.se_of_sums(parts, doubt=np.zeros(1)) == pytest.approx(
        [np.sqrt(variance)], rel=1e-6
    )
