"""Damped T60 of runs in a room, from tones that are formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from toneapp.measure.damped_decay import read_damped_decay, weigh_rooms
from toneapp.results import Flag
from toneapp.signal.bands import transform_strike
from toneapp.signal.damped import cut_damped_bands

MIDIS = range(26, 88, 4)
RELEASE_S = 1.2


def run(tones, room, *, rng):
    """Tones over the keyboard and their bands; dampers from 0.45 s (bass) to 0.1 s (treble)."""
    found = []
    for midi in MIDIS:
        t60_s = float(np.interp(midi, [21, 45, 60, 88], [0.45, 0.3, 0.18, 0.1]))
        tone = tones.damped_tone(rng, midi=midi, t60_s=t60_s, room=room)
        bands = cut_damped_bands(
            transform_strike(tone.samples, sample_rate_hz=48000),
            centres_hz=tone.partials_hz,
            f0_hz=tone.f0_hz,
            release_s=RELEASE_S + float(rng.normal(0.0, 0.006)),
            end_s=2.5,
            noise_density=lambda hz, level=tone.noise_density: np.full(np.shape(hz), level),
        )
        found.append((tone, bands))
    return found


@pytest.mark.parametrize(
    ("t60_s", "level_db", "reflections", "least", "worst"),
    [
        (
            None,
            0.0,
            0,
            15,
            0.06,
        ),  # of 16 notes; and median error, with room for the luck of the draw
        (0.3, -18.0, 0, 14, 0.12),
        (0.4, -14.0, 5, 12, 0.2),
        (0.8, -10.0, 0, 8, 0.2),
    ],
)
def test_the_room_does_not_lengthen_the_damped_decay(
    damped_tones, t60_s, level_db, reflections, least, worst
):
    rng = np.random.default_rng(3)
    room = None
    if t60_s is not None:
        room = damped_tones.room_response(
            rng, t60_s=t60_s, level_db=level_db, reflections=reflections
        )
    notes = run(damped_tones, room, rng=rng)
    weight = weigh_rooms([bands for _, bands in notes])
    errors, ratios = [], []
    for tone, bands in notes:
        decay = read_damped_decay(bands, weight)
        if decay.t60_s is None:
            assert decay.flags == (Flag.ROOM_HIDES_DAMPING,)
            continue
        errors.append(math.log(decay.t60_s / tone.t60_s))
        ratios.append(errors[-1] * decay.t60_s / decay.t60_s_se)
    assert len(errors) >= least
    assert float(np.median(np.abs(errors))) < worst
    assert abs(float(np.median(errors))) < worst
    # Stated errors hold: 1.48 times the median size of the ratio is 1 for normal errors.
    assert 1.48 * float(np.median(np.abs(ratios))) < 1.8


def test_without_a_release_nothing_is_known_of_the_room():
    weight = weigh_rooms([])
    assert weight.sum() == pytest.approx(1.0)
    assert weight[0] == pytest.approx(0.5)


def test_refuses_weights_of_other_rooms(damped_tones):
    (_, bands), *_ = run(damped_tones, None, rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match="room_weight"):
        read_damped_decay(bands, np.ones(3))
