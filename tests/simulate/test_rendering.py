"""Rendered sound against its own truth, measured with plain numpy."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from toneapp.results import Cause
from toneapp.simulate import (
    BackLength,
    Blow,
    Disturbance,
    Event,
    Faults,
    PianoSpec,
    Room,
    make_piano,
    prepare,
    render,
)
from toneapp.simulate.sympathy import FreeStrings, answer
from toneapp.simulate.voice import Voice

RATE = 24000
QUIET = Room(t60_s=0.0)


def _piano(faults: Faults | None = None) -> PianoSpec:
    return make_piano(np.random.default_rng(21), last_damper_midi=88, faults=faults)


def _blow(midi: int, *, onset_s: float = 0.5, hold_s: float = 4.0, speed: float = 2.0) -> Blow:
    return Blow(midi=midi, onset_s=onset_s, hold_s=hold_s, velocity_m_per_s=speed)


def _rng() -> np.random.Generator:
    return np.random.default_rng(7)


def _peak_hz(x: np.ndarray, near_hz: float) -> float:
    """Frequency of the strongest peak within 2 % of a frequency."""
    size = 1 << 19
    spectrum = np.abs(np.fft.rfft(x * np.hanning(x.size), size))
    hz = np.fft.rfftfreq(size, 1.0 / RATE)
    inside = np.flatnonzero(np.abs(hz / near_hz - 1.0) < 0.02)
    k = int(inside[np.argmax(spectrum[inside])])
    a, b, c = np.log(spectrum[k - 1 : k + 2])
    return float(hz[k] + (hz[1] - hz[0]) * 0.5 * (a - c) / (a - 2 * b + c))


def _envelope_db(x: np.ndarray, hz: float, step_s: float) -> np.ndarray:
    """Level of one frequency over time, a Hann window of twice the step at a time."""
    step = int(step_s * RATE)
    shifted = x * np.exp(-2j * np.pi * hz * np.arange(x.size) / RATE)
    window = np.hanning(2 * step)
    frames = [
        abs(np.dot(window, shifted[i : i + 2 * step])) for i in range(0, x.size - 2 * step, step)
    ]
    return 20.0 * np.log10(np.array(frames) + 1e-12)


@pytest.mark.parametrize("midi", [33, 57, 69, 84])
def test_partials_sound_at_the_frequencies_of_the_truth(midi: int) -> None:
    run = render(_piano(), [_blow(midi)], QUIET, sample_rate_hz=RATE, rng=_rng())
    held = run.audio[int(0.6 * RATE) : int(2.6 * RATE)].astype(np.float64)
    strike = run.truth.strikes[0]
    strongest = sorted(strike.partials, key=lambda p: -p.level_db)[:3]
    for partial in strongest:
        cents = 1200.0 * math.log2(_peak_hz(held, partial.hz) / partial.hz)
        # Motions up to a cent apart share one peak; its top need not lie at their mean.
        assert abs(cents) < 1.0


def test_prompt_decay_of_a_partial_is_that_of_the_truth() -> None:
    piano = _piano().with_note(57, string_cents=(-0.02, 0.0, 0.02), horizontal_excitation=0.05)
    run = render(piano, [_blow(57, hold_s=3.0)], QUIET, sample_rate_hz=RATE, rng=_rng())
    first = run.truth.strikes[0].partials[0]
    level = _envelope_db(run.audio[int(0.7 * RATE) : int(2.7 * RATE)], first.hz, 0.1)
    slope = np.polyfit(0.1 * np.arange(level.size), level, 1)[0]
    assert -60.0 / slope == pytest.approx(first.prompt_t60_s, rel=0.15)


def test_level_truth_is_that_of_the_sound() -> None:
    piano = _piano().with_note(69, knock_db=-80.0)
    run = render(piano, [_blow(69)], QUIET, sample_rate_hz=RATE, rng=_rng())
    first = run.audio[int(0.5 * RATE) : int(1.0 * RATE)].astype(np.float64)
    power = np.abs(np.fft.rfft(first)) ** 2
    hz = np.fft.rfftfreq(first.size, 1.0 / RATE)
    # A-weighting, IEC 61672-1 annex E (poles 20.6, 107.7, 737.9, 12194 Hz).
    f2 = hz**2
    weight = 1.2589 * 12194.0**2 * f2**2
    weight /= (f2 + 20.6**2) * (f2 + 12194.0**2)
    weight /= np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2))
    level_db = 10.0 * np.log10(2.0 * np.sum(power * weight**2) / first.size**2)
    assert level_db == pytest.approx(run.truth.strikes[0].level_db, abs=0.5)


def test_louder_blow_is_brighter_and_hard_hammer_is_brighter_at_equal_level() -> None:
    faults = Faults(hardness_oct={60: 0.4, 62: -0.4})
    events = [_blow(60, onset_s=0.5, speed=1.0), _blow(60, onset_s=6.0, speed=4.0)]
    events.append(_blow(62, onset_s=11.0))
    truth = prepare(_piano(faults), events, QUIET, sample_rate_hz=RATE, rng=_rng()).truth
    soft, firm, _ = truth.strikes
    assert firm.level_db > soft.level_db + 10.0
    assert firm.brightness_oct > soft.brightness_oct + 0.3
    assert 0.2 < truth.notes[60].hammer_effect_at_level_oct <= 0.45
    assert -0.45 <= truth.notes[62].hammer_effect_at_level_oct < -0.15
    assert truth.notes[60].hammer_effect_oct == pytest.approx(0.4, abs=0.08)


@pytest.mark.parametrize("midi", [25, 45, 60, 80])
def test_damper_silences_the_note(midi: int) -> None:
    run = render(_piano(), [_blow(midi, hold_s=1.5)], QUIET, sample_rate_hz=RATE, rng=_rng())
    strike = run.truth.strikes[0]
    assert strike.release_s == pytest.approx(2.0)
    hz = max(strike.partials, key=lambda p: p.level_db).hz
    before = _envelope_db(run.audio[int(1.7 * RATE) : int(1.95 * RATE)], hz, 0.05)[-1]
    after = _envelope_db(run.audio[int(3.0 * RATE) : int(3.25 * RATE)], hz, 0.05)[0]
    assert after < before - 35.0
    assert strike.damped_t60_s is not None
    assert 0.05 < strike.damped_t60_s < 1.5


def test_undamped_note_has_no_release_and_rings_on() -> None:
    run = render(_piano(), [_blow(96, hold_s=0.3)], QUIET, sample_rate_hz=RATE, rng=_rng())
    strike = run.truth.strikes[0]
    assert strike.release_s is None
    assert strike.ringing == ()
    level = _envelope_db(run.audio[int(0.6 * RATE) : int(1.4 * RATE)], strike.partials[0].hz, 0.1)
    assert level[0] - level[-1] == pytest.approx(60.0 * 0.6 / strike.prompt_t60_s, rel=0.5)


def test_leaky_damper_is_heard_on_its_own_note_and_from_others() -> None:
    faults = Faults(damper_strength={45: 0.02})
    events = [_blow(45, hold_s=1.0), _blow(57, onset_s=6.0, hold_s=1.0)]
    run = render(_piano(faults), events, QUIET, sample_rate_hz=RATE, rng=_rng(), tail_s=3.0)
    own, other = run.truth.strikes
    assert own.ringing[0].cause is Cause.OWN_DAMPER
    assert own.ringing[0].midi == 45
    heard = [r for r in other.ringing if r.cause is Cause.OTHER_DAMPER]
    assert {r.midi for r in heard} == {45}
    assert heard[0].level_db > -60.0
    # The loudest of them stands in the sound 0.4 s after the release, near its stated level.
    at = int((7.0 + 0.4) * RATE)
    frame = run.audio[at : at + RATE].astype(np.float64)
    assert _peak_hz(frame, heard[0].hz) == pytest.approx(heard[0].hz, rel=1e-3)


def test_sound_damper_leaves_only_undamped_strings() -> None:
    events = [_blow(m, onset_s=0.5 + 2.0 * i, hold_s=1.0) for i, m in enumerate((64, 77, 81))]
    piano = make_piano(np.random.default_rng(21), last_damper_midi=88, sympathy=1.0)
    truth = prepare(piano, events, QUIET, sample_rate_hz=RATE, rng=_rng()).truth
    rings = [r for strike in truth.strikes for r in strike.ringing]
    assert rings
    assert all(r.cause is Cause.UNDAMPED and r.midi in range(89, 109) for r in rings)
    last = prepare(
        make_piano(np.random.default_rng(21), last_damper_midi=108, sympathy=1.0),
        events,
        QUIET,
        sample_rate_hz=RATE,
        rng=_rng(),
    ).truth
    assert all(strike.ringing == () for strike in last.strikes)


def test_blocks_join_to_the_whole_whatever_their_size() -> None:
    room = Room(t60_s=0.5, snr_db=40.0, hum_db=-40.0, tilt_db_per_oct=-1.0)
    events: list[Event] = [
        _blow(48, hold_s=1.0),
        Disturbance(kind="talk", onset_s=2.0, duration_s=1.0),
    ]
    whole = render(_piano(), events, room, sample_rate_hz=RATE, rng=_rng())
    for size in (1000, 65536, 200000):
        performance = prepare(_piano(), events, room, sample_rate_hz=RATE, rng=_rng())
        blocks = list(performance.blocks(size))
        assert all(b.size == size for b in blocks[:-1])
        assert np.array_equal(np.concatenate(blocks), whole.audio)


def test_same_generator_state_gives_the_same_sound() -> None:
    room = Room(t60_s=0.4, snr_db=40.0)
    sounds = [
        render(
            _piano(), [_blow(60)], room, sample_rate_hz=RATE, rng=np.random.default_rng(s)
        ).audio
        for s in (1, 1, 2)
    ]
    assert np.array_equal(sounds[0], sounds[1])
    assert not np.array_equal(sounds[0], sounds[2])


def test_room_dies_away_in_its_t60() -> None:
    events = [Disturbance(kind="knock", onset_s=0.2, duration_s=0.15)]
    room = Room(t60_s=0.8, reverb_db=0.0)
    run = render(_piano(), events, room, sample_rate_hz=RATE, rng=_rng(), tail_s=1.0)
    spectrum = np.fft.rfft(run.audio)
    hz = np.fft.rfftfreq(run.audio.size, 1.0 / RATE)
    band = np.fft.irfft(np.where((hz > 707) & (hz < 1414), spectrum, 0), run.audio.size)
    tail = band[int(0.4 * RATE) : int(0.9 * RATE)]
    back = 10.0 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1])  # Schroeder 1965
    use = slice(0, int(0.25 * RATE))
    slope = np.polyfit(np.arange(tail.size)[use] / RATE, back[use], 1)[0]
    assert -60.0 / slope == pytest.approx(0.8, rel=0.2)


def test_noise_and_hum_have_their_levels() -> None:
    for room, wanted in (
        (Room(t60_s=0.0, snr_db=40.0), -40.0),
        (Room(t60_s=0.0, hum_db=-30.0), -30.0),
    ):
        run = render(_piano(), [], room, sample_rate_hz=RATE, rng=_rng(), tail_s=4.0)
        rms_db = 10.0 * np.log10(np.mean(run.audio.astype(np.float64) ** 2))
        # Reference -36 dBFS; the hum's harmonics add 1.8 dB to its first.
        extra = 1.8 if room.hum_db is not None else 0.0
        assert rms_db == pytest.approx(-36.0 + wanted + extra, abs=0.4)


def test_double_blow_meets_no_damper() -> None:
    events = [_blow(60, hold_s=0.5), _blow(60, onset_s=1.0, hold_s=1.0)]
    truth = prepare(_piano(), events, QUIET, sample_rate_hz=RATE, rng=_rng()).truth
    assert truth.strikes[0].release_s is None
    assert truth.strikes[1].release_s == pytest.approx(2.0)


def test_events_before_the_start_are_refused() -> None:
    with pytest.raises(ValueError, match="0 s or later"):
        render(_piano(), [_blow(60, onset_s=-1.0)], sample_rate_hz=RATE, rng=_rng())
    with pytest.raises(ValueError, match="no key"):
        render(_piano(), [_blow(12)], sample_rate_hz=RATE, rng=_rng())


def test_no_partial_folds_back_at_a_low_sampling_rate() -> None:
    room = Room(t60_s=0.0)
    piano = _piano().with_note(90, knock_db=-120.0)
    low = render(piano, [_blow(90)], room, sample_rate_hz=8000, rng=_rng())
    power = np.abs(np.fft.rfft(low.audio * np.hanning(low.audio.size))) ** 2
    hz = np.fft.rfftfreq(low.audio.size, 1.0 / 8000)
    third = next(p for p in low.truth.strikes[0].partials if p.n == 3)
    first = low.truth.strikes[0].partials[0]
    assert third.hz > 4000.0
    assert third.level_db > first.level_db - 40.0
    folded = np.abs(hz - (8000.0 - third.hz)) < 10.0
    heard = np.abs(hz - first.hz) < 10.0
    assert power[folded].sum() < 1e-5 * power[heard].sum()


def test_free_string_answers_where_its_frequency_meets_a_partial() -> None:
    # Lehtonen et al., J. Acoust. Soc. Am. 122, 1787 (2007): strings without dampers answer where
    # partials coincide. C5's 4th partial meets C7: tune C7 onto it, then 40 cents away.
    piano = make_piano(np.random.default_rng(21), last_damper_midi=88, sympathy=0.8)
    levels_db = []
    struck = prepare(piano, [_blow(72, hold_s=1.0)], QUIET, sample_rate_hz=RATE, rng=_rng())
    fourth_hz = next(p.hz for p in struck.truth.strikes[0].partials if p.n == 4)
    for cents in (0.0, 40.0):
        f1 = fourth_hz * 2.0 ** (cents / 1200.0)
        tuned = piano.with_note(96, f0_hz=f1 / math.sqrt(1.0 + piano.note(96).B))
        run = prepare(tuned, [_blow(72, hold_s=1.0)], QUIET, sample_rate_hz=RATE, rng=_rng())
        rings = run.truth.strikes[0].ringing
        levels_db.append(
            next((r.level_db for r in rings if (r.midi, r.partial) == (96, 1)), -70.0)
        )
    assert levels_db[0] > levels_db[1] + 15.0


def test_length_behind_the_bridge_belongs_to_no_key() -> None:
    piano = make_piano(np.random.default_rng(21), last_damper_midi=108)
    third_hz = 3.0 * piano.note(72).f0_hz * math.sqrt(1.0 + 9.0 * piano.note(72).B)
    length = BackLength(hz=third_hz + 1.0, t60_s=1.5, coupling=0.8)
    piano = dataclasses.replace(piano, back_lengths=(length,))
    truth = prepare(piano, [_blow(72, hold_s=1.0)], QUIET, sample_rate_hz=RATE, rng=_rng()).truth
    rings = [r for strike in truth.strikes for r in strike.ringing]
    assert rings
    assert all(r.cause is Cause.NO_KEY and r.midi is None for r in rings)
    assert rings[0].hz == pytest.approx(length.hz, abs=0.01)
    assert rings[0].t60_s == pytest.approx(length.t60_s, rel=0.01)
    drawn = make_piano(np.random.default_rng(21), back_lengths=6)
    assert len(drawn.back_lengths) == 6


def test_unison_out_of_tune_beats_at_the_difference_of_its_strings() -> None:
    # Weinreich 1977: strings far apart against their coupling beat at their difference.
    piano = _piano().with_note(
        57, string_cents=(-4.0, 4.0), string_gains=(1.0, 0.8), horizontal_excitation=0.0
    )
    run = render(piano, [_blow(57)], QUIET, sample_rate_hz=RATE, rng=_rng())
    first = run.truth.strikes[0].partials[0]
    apart = abs(first.string_hz[1] - first.string_hz[0])
    assert first.beat_hz == pytest.approx(apart, rel=0.05)
    level = _envelope_db(run.audio[int(0.6 * RATE) : int(4.4 * RATE)], first.hz, 0.025)
    t = 0.025 * np.arange(level.size)
    level = level - np.polyval(np.polyfit(t, level, 2), t)
    spectrum = np.abs(np.fft.rfft(level * np.hanning(level.size), 8192))
    beat = np.fft.rfftfreq(8192, 0.025)
    spectrum[beat < 0.4] = 0.0
    assert beat[int(np.argmax(spectrum))] == pytest.approx(apart, rel=0.1)


def test_answer_of_a_free_string_is_that_of_a_driven_resonator_stepped_in_time() -> None:
    # z' = lam z + k b(t), stepped with exact factors over 20 us, against the closed form.
    length = BackLength(hz=523.0, t60_s=2.0, coupling=0.7)
    piano = dataclasses.replace(_piano(), back_lengths=(length,), sympathy=0.6)
    voice = Voice.build(piano, 60)
    struck = voice.strike(2.0, voice.stages(0.4))
    free = FreeStrings.build(piano, [])
    found = answer(free, voice, struck, attack_s=1e-9)
    step = 2e-5
    lam = -math.log(1000.0) / length.t60_s + 2j * math.pi * length.hz
    root = np.sqrt(voice.table.eta.real)
    drive = []
    for segment in struck:
        count = round((min(segment.end_s, 0.8) - segment.start_s) / step)
        t = (np.arange(count) + 0.5) * step
        strength = root[segment.partial.astype(int) - 1] * segment.bridge
        drive.append(strength @ np.exp(np.multiply.outer(segment.rate, t)))
    force = length.coupling * piano.sympathy * np.concatenate(drive)
    end_s = force.size * step
    z = np.sum(force * np.exp(lam * (end_s - (np.arange(force.size) + 0.5) * step))) * step
    last = found.segments[-1]
    free_part = last.bridge[0] * np.exp(lam * (end_s - last.start_s))
    # By then the damped note has died, so nothing is driven any more.
    assert abs(free_part - z) < 0.01 * abs(z)
