"""Damped decays of tones and rooms that are formulas."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from toneapp.signal.bands import transform_strike
from toneapp.signal.damped import cut_damped_bands, strongest_bands
from toneapp.signal.damped_grid import (
    MOMENTS_S,
    OFFSETS_S,
    RINGS,
    ROOM_LEVEL_DB,
    ROOM_T60_S,
    T60_S,
    TOUCHES,
)
from toneapp.signal.damped_likelihood import log_likelihood
from toneapp.signal.damped_reading import _natural_spline, read_damped, room_evidence
from toneapp.signal.damped_tables import _inverse, _root, table

ANY_TOUCH = np.full(len(TOUCHES), 1.0 / len(TOUCHES))
RELEASE_S = 1.2


def bands_of(tone, *, release_s=RELEASE_S, end_s=2.5, noise_density=None):
    density = tone.noise_density if noise_density is None else noise_density
    return cut_damped_bands(
        transform_strike(tone.samples, sample_rate_hz=48000),
        centres_hz=tone.partials_hz,
        f0_hz=tone.f0_hz,
        release_s=release_s,
        end_s=end_s,
        noise_density=lambda hz: np.full(np.shape(hz), density),
    )


@dataclass(frozen=True)
class Read:
    """A reading at the likeliest spread of the partials."""

    ln_t60: float
    ln_t60_se: float


def read_all(bands, *, room=0):
    share = np.zeros((bands.power.size, ROOM_T60_S.size))
    share[:, room] = 1.0
    return read_damped(bands, room_share=share, touch_share=ANY_TOUCH)


def read(bands, *, room=0):
    reading = read_all(bands, room=room)
    best = int(np.argmax(reading.ln_evidence))
    return Read(ln_t60=float(reading.ln_t60[best]), ln_t60_se=float(reading.ln_t60_se[best]))


@pytest.mark.parametrize(
    ("midi", "t60_s"), [(28, 0.5), (40, 0.3), (52, 0.25), (64, 0.15), (76, 0.12), (76, 2.0)]
)
def test_a_damped_note_without_a_room(damped_tones, midi, t60_s):
    tone = damped_tones.damped_tone(np.random.default_rng(midi), midi=midi, t60_s=t60_s)
    reading = read(bands_of(tone))
    # The stated error is 5 to 10 %; three of those.
    assert math.exp(reading.ln_t60) == pytest.approx(tone.t60_s, rel=0.2)
    assert reading.ln_t60_se < 0.15


@pytest.mark.parametrize("felt_s", [0.008, 0.02, 0.04])
@pytest.mark.parametrize("t60_s", [0.12, 0.2, 0.35])
def test_a_soft_touch_is_not_taken_for_a_slow_damper(damped_tones, felt_s, t60_s):
    tone = damped_tones.damped_tone(
        np.random.default_rng(7), midi=60, t60_s=t60_s, felt_s=felt_s, felt_power=1.0
    )
    reading = read(bands_of(tone))
    assert math.exp(reading.ln_t60) == pytest.approx(tone.t60_s, rel=0.2)


def test_the_release_may_be_found_some_milliseconds_off(damped_tones):
    for off_s in (-0.012, 0.015):
        tone = damped_tones.damped_tone(np.random.default_rng(2), midi=60, t60_s=0.2)
        reading = read(bands_of(tone, release_s=RELEASE_S + off_s))
        assert math.exp(reading.ln_t60) == pytest.approx(tone.t60_s, rel=0.2)


def test_a_release_that_lies_elsewhere_gives_nothing(damped_tones):
    tone = damped_tones.damped_tone(np.random.default_rng(2), midi=60, t60_s=0.2)
    bands = bands_of(tone, release_s=RELEASE_S - 0.15)
    assert bands is None or read(bands).ln_t60_se > 1.0


def test_a_free_string_at_one_partial_is_not_the_damper(damped_tones):
    tone = damped_tones.damped_tone(
        np.random.default_rng(6), midi=64, t60_s=0.15, free_string=(3, -12.0, 1.0)
    )
    reading = read(bands_of(tone))
    assert math.exp(reading.ln_t60) == pytest.approx(tone.t60_s, rel=0.25)


def test_a_known_room_does_not_lengthen_a_softly_touching_damper(damped_tones):
    # Room of T60 0.38 s, 9 dB below the direct sound; felts that take 40 ms to settle.
    rng = np.random.default_rng(12)
    room = damped_tones.room_response(rng, t60_s=0.38, level_db=-9.0)
    index = int(np.flatnonzero((ROOM_T60_S == 0.38) & (ROOM_LEVEL_DB == -9.0))[0])
    off = []
    for midi in range(43, 73, 3):
        tone = damped_tones.damped_tone(
            rng, midi=midi, t60_s=0.2, room=room, felt_s=0.04, felt_power=1.0
        )
        off.append(read(bands_of(tone), room=index).ln_t60 - math.log(tone.t60_s))
    # Without the touch, and with the room's answer to it, all came out 1.3 to 1.7 times too long.
    assert abs(float(np.median(off))) < 0.15


@pytest.mark.parametrize(
    ("t60_s", "level_db"), [(None, None), (0.3, -15.0), (0.45, -11.0), (0.95, -11.0)]
)
def test_the_room_is_told_from_a_dozen_notes(damped_tones, t60_s, level_db):
    rng = np.random.default_rng(4)
    room = (
        None if t60_s is None else damped_tones.room_response(rng, t60_s=t60_s, level_db=level_db)
    )
    evidence = np.zeros(ROOM_T60_S.size)
    for midi in range(40, 88, 4):
        tone = damped_tones.damped_tone(rng, midi=midi, t60_s=0.35 - 0.003 * midi, room=room)
        said = room_evidence(strongest_bands(bands_of(tone), 6)).sum(axis=0)  # (r, j, c)
        evidence += said.max(axis=(1, 2))
    best = int(np.argmax(evidence))
    if t60_s is None:
        assert best == 0
    else:
        # The grid has steps of a factor 1.5 and 5 dB: the right one or its neighbour.
        assert abs(math.log(ROOM_T60_S[best] / t60_s)) < 0.6
        assert abs(ROOM_LEVEL_DB[best] - level_db) <= 5.0


def test_too_little_after_the_release_gives_nothing(damped_tones):
    tone = damped_tones.damped_tone(np.random.default_rng(1), midi=60, t60_s=0.2)
    assert bands_of(tone, end_s=RELEASE_S + 0.05) is None


def test_a_note_in_the_noise_gives_nothing(damped_tones):
    tone = damped_tones.damped_tone(np.random.default_rng(1), midi=60, t60_s=0.2)
    assert bands_of(tone, noise_density=1.0) is None


def test_bands_know_their_partials(damped_tones):
    tone = damped_tones.damped_tone(np.random.default_rng(1), midi=60, t60_s=0.2)
    bands = bands_of(tone)
    # High partials are stretched; the lowest are what their numbers are needed for.
    np.testing.assert_allclose(bands.hz[:8], tone.partials_hz[bands.n[:8] - 1], atol=1.0)


def test_input_is_left_alone(damped_tones):
    tone = damped_tones.damped_tone(np.random.default_rng(1), midi=60, t60_s=0.2)
    bands = bands_of(tone)
    kept = bands.z.copy()
    read(bands)
    np.testing.assert_array_equal(bands.z, kept)


def test_the_spline_is_the_natural_one() -> None:
    from scipy.interpolate import CubicSpline

    points = np.linspace(0.0, 11.0, 56)
    expected = CubicSpline(np.arange(12), np.eye(12), bc_type="natural")(points)
    assert _natural_spline(12, points) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("count", [16, 11])
def test_the_likelihood_is_that_of_a_gaussian_with_a_free_amplitude(count):
    rng = np.random.default_rng(count)
    z = rng.normal(size=(2, count)) + 1j * rng.normal(size=(2, count))
    found = log_likelihood(z, half_width_hz=120.0, noise=1, rooms=np.array([0]))
    assert found.shape == (2, 1, MOMENTS_S.size, len(TOUCHES), T60_S.size)
    for j, c, a in [(0, 0, 3), (7, 2, 5), (17, 3, 11)]:
        coarse, offset = divmod(j, OFFSETS_S.size)
        place = (coarse * len(TOUCHES) + c) * T60_S.size + a
        expected = []
        for ring, (_, _, prior) in enumerate(RINGS):
            one = table(120.0, 1, ring, 0)
            whiten = one.whiten[:, :, place].astype(np.float64)
            line = np.linalg.solve(whiten, one.line[offset, :, place])[:count]
            covariance = np.linalg.inv(whiten.T @ whiten)[:count, :count]
            inverse = np.linalg.inv(covariance)
            own = line @ inverse @ line
            met = z @ inverse @ line
            left = z - (met / own)[:, None] * line
            square = np.einsum("kn,nm,km->k", left, inverse, left.conj()).real
            size = np.linalg.slogdet(covariance)[1] + math.log(own)
            expected.append(math.log(prior) - square - size)
        assert found[:, 0, j, c, a] == pytest.approx(np.logaddexp(*expected), rel=1e-3, abs=0.02)


def test_roots_of_many_matrices_and_their_inverses():
    rng = np.random.default_rng(5)
    some = rng.normal(size=(9, 6, 8))
    covariance = some @ np.swapaxes(some, 1, 2)  # (p, n, n)
    root = _root(np.moveaxis(covariance, 0, -1).copy())
    expected = np.linalg.cholesky(covariance)
    assert np.moveaxis(root, -1, 0) == pytest.approx(expected, abs=1e-10)
    inverse = np.moveaxis(_inverse(root), -1, 0)
    assert inverse @ expected == pytest.approx(np.broadcast_to(np.eye(6), (9, 6, 6)), abs=1e-10)
