"""Damped T60 of runs in a room, from tones that are formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from toneapp.measure.damped_decay import (
    ROOM_DOUBT,
    SHORT_LN,
    read_damped_decay,
    settle_damped_decays,
    weigh_likenesses,
)
from toneapp.measure.damped_room import OCTAVE_EDGES_HZ, weigh_room
from toneapp.results import Flag
from toneapp.signal.bands import transform_strike
from toneapp.signal.damped import cut_damped_bands
from toneapp.signal.damped_grid import ROOM_T60_S
from toneapp.signal.damped_reading import LIKENESSES, DampedReading

MIDIS = range(26, 88, 4)
RELEASE_S = 1.2


def run(tones, room, *, rng, midis=MIDIS, **touch):
    """Tones over the keyboard and their bands; dampers from 0.45 s (bass) to 0.1 s (treble)."""
    found = []
    for midi in midis:
        t60_s = float(np.interp(midi, [21, 45, 60, 88], [0.45, 0.3, 0.18, 0.1]))
        tone = tones.damped_tone(rng, midi=midi, t60_s=t60_s, room=room, **touch)
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


def decays_of(notes, *, midis=MIDIS):
    room = weigh_room([bands for _, bands in notes])
    return settle_damped_decays(
        list(midis), [read_damped_decay(bands, room) for _, bands in notes]
    )


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
        (0.8, -10.0, 0, 8, 0.22),
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
    errors, ratios = [], []
    for (tone, _), decay in zip(notes, decays_of(notes), strict=True):
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


def test_a_room_that_rings_longer_in_the_bass_is_heard_as_such(damped_tones):
    rng = np.random.default_rng(5)
    room = damped_tones.octave_room(rng, t60_s={0.0: 0.8, 500.0: 0.5, 2000.0: 0.28}, level_db=-8.0)
    notes = run(damped_tones, room, rng=rng, midis=range(26, 88, 2))
    heard = weigh_room([bands for _, bands in notes])
    middle = np.exp(heard.share @ np.log(ROOM_T60_S))
    octave = {hz: int(np.searchsorted(OCTAVE_EDGES_HZ, hz)) for hz in (250, 1000, 3500)}
    assert middle[octave[250]] == pytest.approx(0.8, rel=0.35)
    assert middle[octave[1000]] == pytest.approx(0.5, rel=0.35)
    assert middle[octave[3500]] < 0.75 * middle[octave[1000]]


def test_dampers_that_come_down_softly_are_not_read_too_long_in_a_lively_room(damped_tones):
    # Felts that take 40 ms to settle; a room 6 dB below the direct sound.
    rng = np.random.default_rng(8)
    room = damped_tones.room_response(rng, t60_s=0.5, level_db=-6.0)
    midis = range(26, 76, 2)
    notes = run(damped_tones, room, rng=rng, midis=midis, felt_s=0.04, felt_power=1.0)
    ratios = [
        decay.t60_s / tone.t60_s
        for (tone, _), decay in zip(notes, decays_of(notes, midis=midis), strict=True)
        if decay.t60_s is not None
    ]
    assert len(ratios) >= 10  # of 25
    assert float(np.median(ratios)) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize(("partials_ln", "least", "most"), [(0.1, 0.0, 0.22), (0.6, 0.4, 1.0)])
def test_a_run_tells_how_alike_the_partials_are_damped(damped_tones, partials_ln, least, most):
    rng = np.random.default_rng(11)
    room = damped_tones.room_response(rng, t60_s=0.5, level_db=-9.0)
    notes = run(damped_tones, room, rng=rng, midis=range(26, 88, 3), partials_ln=partials_ln)
    heard = weigh_room([bands for _, bands in notes])
    share = weigh_likenesses([read_damped_decay(bands, heard) for _, bands in notes])
    assert least < float(share @ np.array([spread for _, spread in LIKENESSES])) < most


def test_partials_that_are_damped_alike_are_not_read_long_in_a_lively_room(damped_tones):
    # At the widest likeness, with a longer first partial, they came out a quarter too long.
    rng = np.random.default_rng(1)
    midis = range(26, 88, 3)
    room = damped_tones.room_response(rng, t60_s=0.57, level_db=-9.0)
    notes = run(damped_tones, room, rng=rng, midis=midis, partials_ln=0.1, per_n=0.0)
    off = [
        math.log(decay.t60_s / tone.t60_s)
        for (tone, _), decay in zip(notes, decays_of(notes, midis=midis), strict=True)
        if decay.t60_s is not None
    ]
    assert len(off) >= 15
    assert abs(float(np.median(off))) < 0.12


def test_a_note_that_fits_no_likeness_does_not_choose_it():
    evidence = -(np.arange(len(LIKENESSES)) ** 1.5)
    ordinary = replace(reading(0.2, 0.1), ln_evidence=evidence)
    odd = replace(reading(0.2, 0.1), ln_evidence=100.0 * evidence[::-1])
    share = weigh_likenesses([ordinary] * 20 + [odd])
    assert share[0] > 0.99


def test_without_a_release_nothing_is_known_of_the_room():
    heard = weigh_room([])
    np.testing.assert_allclose(heard.share.sum(axis=1), 1.0)
    np.testing.assert_allclose(heard.share[:, 0], 0.5)
    np.testing.assert_allclose(heard.touch_share, heard.touch_share[0])


def reading(t60_s, se):
    every = np.ones(len(LIKENESSES))
    return DampedReading(
        ln_t60=math.log(t60_s) * every, ln_t60_se=se * every, ln_evidence=0.0 * every
    )


def test_neighbours_narrow_a_doubtful_damper_down():
    midi = [*range(50, 71)]
    readings = [reading(0.2, 0.1)] * 21
    alone = settle_damped_decays([60], [reading(0.25, 0.2)])[0]
    assert alone.flags == (Flag.ROOM_HIDES_DAMPING,)
    readings[10] = reading(0.25, 0.2)
    settled = settle_damped_decays(midi, readings)[10]
    assert settled.t60_s is not None
    assert 0.2 < settled.t60_s < 0.25
    # Precisions of the own reading (0.26) and of the neighbours (0.25 and their line's) add up.
    assert settled.t60_s_se / settled.t60_s == pytest.approx(0.18, abs=0.01)


def test_a_damper_that_hardly_holds_keeps_its_own_decay():
    midi = [*range(50, 71)]
    readings = [reading(0.2, 0.15)] * 21
    readings[10] = reading(2.0, 0.12)
    settled = settle_damped_decays(midi, readings)
    assert settled[10].t60_s == pytest.approx(2.0 * math.exp(SHORT_LN))
    assert settled[9].t60_s == pytest.approx(0.2 * math.exp(SHORT_LN), rel=0.03)


def test_the_neighbours_decay_is_not_given_for_a_note_that_the_room_hides():
    readings = [reading(0.2, 0.05)] * 21
    readings[10] = reading(0.4, 0.6)
    settled = settle_damped_decays([*range(50, 71)], readings)[10]
    assert settled.t60_s is None
    assert settled.flags == (Flag.ROOM_HIDES_DAMPING,)


def test_what_a_lively_room_leaves_in_doubt_is_stated():
    def stated(share):
        readings = [replace(reading(0.2, 0.1), reverberant=share)] * 21
        settled = settle_damped_decays([*range(50, 71)], readings)[10]
        return settled.t60_s_se / settled.t60_s

    # A room of half the direct sound's energy, on top of what the reading says.
    assert stated(1.0 / 3.0) == pytest.approx(math.hypot(stated(0.0), ROOM_DOUBT / 3.0))


def test_the_share_of_the_room_is_that_of_its_energy(damped_tones):
    rng = np.random.default_rng(2)
    for level_db in (-12.0, -5.0):
        room = damped_tones.room_response(rng, t60_s=0.57, level_db=level_db)
        notes = run(damped_tones, room, rng=rng)
        heard = weigh_room([bands for _, bands in notes])
        share = [read_damped_decay(bands, heard).reverberant for _, bands in notes]
        over = 10.0 ** (level_db / 10.0)
        # Rooms are told in steps of 5 dB.
        assert np.median(share) == pytest.approx(over / (1.0 + over), rel=0.75)


def test_refuses_keys_of_another_run():
    with pytest.raises(ValueError, match="keys"):
        settle_damped_decays([60, 61], [reading(0.2, 0.1)])
