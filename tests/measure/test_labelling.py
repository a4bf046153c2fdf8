"""A whole run named at once: made-up evidence for the laws, sounds from formulas for the rest."""

from __future__ import annotations

from collections.abc import Sequence
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.analysis.scan import Candidate, merge_scans, plan_chunks, scan_chunk
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.measure.evidence import PITCH_GRID, StrikeEvidence
from toneapp.measure.labelling import RunLabels, label_run

RATE = 16000


def _made_up(
    pitch: float,
    rng: np.random.Generator,
    *,
    octave_share: float = 0.6,
    steadiness: float = 0.95,
    least: float = 0.15,
) -> StrikeEvidence:
    """Evidence of a string: a peak at the pitch, lesser ones an octave and a twelfth off."""
    support = rng.normal(-0.3, 0.05, PITCH_GRID.size)
    height = rng.uniform(least, 0.6)
    for off, share in ((0.0, 1.0), (12.0, octave_share), (-12.0, octave_share), (19.0, 0.3)):
        bump = height * share * np.exp(-0.5 * ((PITCH_GRID - pitch - off) / 0.12) ** 2)
        support = np.maximum(support, bump - 0.02)
    return StrikeEvidence(
        support=support, peak_count=20, loudest_db=40.0, rise_db=20.0, steadiness=steadiness
    )


def _label(
    midis: Sequence[int],
    *,
    detune: float = 0.0,
    compass: Compass = FULL_COMPASS,
    order: str | None = None,
    octave_share: float = 0.6,
    gap_s: float = 2.0,
) -> RunLabels:
    rng = np.random.default_rng(len(midis))
    # The stretch of a usual tuning, and each string a few cents off.
    evidence = [
        _made_up(
            m + detune + 0.2 * ((m - 64) / 44) ** 3 + rng.normal(0, 0.03),
            rng,
            octave_share=octave_share,
        )
        for m in midis
    ]
    onsets = gap_s * np.arange(len(midis))
    return label_run(evidence, list(onsets), compass=compass, order=order)


def _named(run: RunLabels) -> list[int | None]:
    return [label.midi for label in run.labels]


KEYS = list(FULL_COMPASS)


@pytest.mark.parametrize(
    ("midis", "order"),
    [
        (KEYS, "ascending"),
        (KEYS[::-1], "descending"),
        ([k for k in KEYS for _ in range(3)], "ascending"),
        ([k for k in KEYS[::-1] for _ in range(3)], "descending"),
        (KEYS * 3, "ascending"),
        (KEYS[::3], "ascending"),
        (KEYS[::-4], "descending"),
        (KEYS[20:50], "ascending"),
    ],
    ids=["up", "down", "three up", "three down", "three rounds", "thirds", "fourths down", "part"],
)
def test_orders_are_read_from_the_run(midis: list[int], order: str) -> None:
    run = _label(midis)
    assert _named(run) == midis
    assert run.order == order
    assert not any(label.is_unexpected for label in run.labels)
    assert abs(run.detune_semitones) < 0.1


def test_an_order_given_is_taken() -> None:
    assert _label(KEYS[::5], order="ascending").order == "ascending"
    assert _named(_label([60, 64, 60, 72, 48], order="free")) == [60, 64, 60, 72, 48]


@given(st.lists(st.integers(21, 108), min_size=5, max_size=30))
def test_notes_in_no_order_are_named_all_the_same(midis: list[int]) -> None:
    # With evidence that is clear; a weak one is read as the run's other steps suggest.
    rng = np.random.default_rng(len(midis))
    evidence = [_made_up(m, rng, octave_share=0.5, least=0.3) for m in midis]
    run = label_run(evidence, list(2.0 * np.arange(len(midis))), compass=FULL_COMPASS)
    assert _named(run) == midis


@pytest.mark.parametrize("cents", [-95, -60, -30, 30, 60, 95])
@pytest.mark.parametrize("order", ["up", "down"])
def test_an_instrument_off_pitch_is_named_by_its_keys(cents: int, order: str) -> None:
    midis = KEYS if order == "up" else KEYS[::-1]
    run = _label(midis, detune=cents / 100)
    assert _named(run) == midis
    assert run.detune_semitones == pytest.approx(cents / 100, abs=0.1)


@pytest.mark.parametrize(
    ("cents", "other"), [(-45, 55), (-60, 40), (30, -70), (-5, None), (10, None)]
)
def test_a_part_of_the_keyboard_leaves_the_semitone_open(cents: int, other: int | None) -> None:
    run = _label(list(range(40, 80)), detune=cents / 100)
    if other is None:
        assert run.other_detune_semitones is None
    else:
        assert run.other_detune_semitones == pytest.approx(other / 100, abs=0.1)


@pytest.mark.parametrize("cents", [-60, -45, 40, 60])
def test_the_ends_of_the_keyboard_settle_the_semitone(cents: int) -> None:
    assert _label(KEYS, detune=cents / 100).other_detune_semitones is None


@pytest.mark.parametrize("cents", [-90, -30, 0, 30, 90])
def test_85_keys_off_pitch(cents: int) -> None:
    compass = Compass.parse("A0-A7")
    run = _label(list(compass), detune=cents / 100, compass=compass)
    assert _named(run) == list(compass)


def test_a_top_string_far_out_of_tune_does_not_move_the_whole_keyboard() -> None:
    rng = np.random.default_rng(3)
    midis = list(range(21, 109, 3))
    for off in (0.6, 0.9):
        evidence = [_made_up(m + rng.normal(0, 0.03), rng) for m in midis]
        evidence[-1] = _made_up(108 + off, rng, octave_share=0.2)
        run = label_run(evidence, list(np.arange(len(midis)) * 2.0), compass=FULL_COMPASS)
        assert _named(run) == midis, off


def test_a_wrong_key_is_named_and_said_to_be_unexpected() -> None:
    midis = [*range(40, 52), 58, *range(53, 70)]  # 58 instead of 52
    run = _label(midis)
    assert _named(run) == midis
    assert [label.midi for label in run.labels if label.is_unexpected] == [58]
    midis = [*range(40, 52), 45, *range(53, 70)]  # 45 is behind, and by more than a hand slips
    run = _label(midis)
    assert _named(run) == midis
    assert [label.midi for label in run.labels if label.is_unexpected] == [45]


def test_a_key_struck_ahead_of_its_turn_is_unexpected() -> None:
    midis = [*range(40, 52), 53, *range(52, 70)]  # 53 slips in before 52
    run = _label(midis)
    assert _named(run) == midis
    assert [label.index for label in run.labels if label.is_unexpected] == [12]
    run = _label([108 - midi for midi in midis])
    assert [label.index for label in run.labels if label.is_unexpected] == [12]


def test_skips_and_repeats_shift_nothing() -> None:
    midis = [*range(30, 45), *range(48, 60), 59, 59, *range(60, 80)]
    run = _label(midis)
    assert _named(run) == midis
    assert not any(label.is_unexpected for label in run.labels)


@pytest.mark.parametrize("again", [(59,), (58,), (58, 59), (57, 58, 59), (57,)])
def test_going_back_to_play_a_few_keys_again_is_no_mistake(again: tuple[int, ...]) -> None:
    for midis in (
        [*range(40, 60), *again, *range(60, 80)],
        [*range(80, 60, -1), *(120 - midi for midi in again), *range(60, 40, -1)],
    ):
        run = _label(midis)
        assert _named(run) == midis
        assert not any(label.is_unexpected for label in run.labels)


def test_a_blow_shortly_after_on_the_same_key_is_a_second_blow() -> None:
    rng = np.random.default_rng(5)
    midis = [60, 61, 61, 62, 63]
    onsets = [0.0, 2.0, 2.15, 4.0, 6.0]
    evidence = [_made_up(m, rng) for m in midis]
    run = label_run(evidence, onsets, compass=FULL_COMPASS)
    assert [label.is_second_blow for label in run.labels] == [False, False, True, False, False]
    later = label_run(evidence, [0.0, 2.0, 2.9, 4.0, 6.0], compass=FULL_COMPASS)
    assert not any(label.is_second_blow for label in later.labels)


def test_what_is_no_strike_gets_no_key() -> None:
    rng = np.random.default_rng(6)
    midis = list(range(40, 60))
    evidence = [_made_up(m, rng) for m in midis]
    evidence.insert(5, _made_up(70.3, rng, steadiness=0.2))  # a voice
    evidence.insert(
        9,
        StrikeEvidence(
            support=np.full(PITCH_GRID.size, -0.4), peak_count=3, loudest_db=20.0, rise_db=15.0,
            steadiness=0.9,
        ),
    )  # fmt: skip
    run = label_run(evidence, list(2.0 * np.arange(len(evidence))), compass=FULL_COMPASS)
    named = _named(run)
    assert named[5] is None
    assert named[9] is None
    assert [midi for midi in named if midi is not None] == midis
    assert [label.index for label in run.labels] == list(range(len(evidence)))


def test_nothing_at_all_and_no_strike_at_all() -> None:
    assert label_run([], [], compass=FULL_COMPASS).labels == ()
    rng = np.random.default_rng(7)
    run = label_run([_made_up(60, rng, steadiness=0.1)], [0.5], compass=FULL_COMPASS)
    assert _named(run) == [None]
    assert run.order == "free"


def test_one_note_alone_is_named() -> None:
    for midi in (21, 60, 108):
        run = _label([midi])
        assert _named(run) == [midi]
        assert run.order == "free"


def test_keys_outside_the_compass_are_never_named() -> None:
    compass = Compass.parse("C3-C6")
    run = _label(list(range(48, 85)), compass=compass)
    assert all(midi in compass for midi in _named(run))
    assert _named(run) == list(compass)


def _scan(x: np.ndarray, rate: int) -> list[Candidate]:
    """The first pass over a recording, as a run has it."""
    scans = []
    for start, stop in plan_chunks(x.size / rate):
        low, high = max(0, int((start - 0.6) * rate)), min(x.size, int((stop + 0.6) * rate) + 1)
        scans.append(
            scan_chunk(
                x[low:high].astype(np.float32),
                sample_rate_hz=rate,
                first_s=low / rate,
                chunk=(start, stop if high < x.size else np.inf),
            )
        )
    return merge_scans(scans)[0]


def _hear(
    x: np.ndarray, *, rate: int = RATE, compass: Compass = FULL_COMPASS
) -> tuple[list[int], list[float], RunLabels]:
    """Keys and times of what was taken for strikes."""
    found = _scan(x, rate)
    run = label_run(
        [item.evidence for item in found],
        [item.onset_s for item in found],
        compass=compass,
        rises_db=[item.rise_db for item in found],
    )
    pairs = [
        (label.midi, item.onset_s)
        for item, label in zip(found, run.labels, strict=True)
        if label.midi is not None
    ]
    return [midi for midi, _ in pairs], [onset for _, onset in pairs], run


@pytest.mark.parametrize("cents", [-93, -60, 0, 30, 93])
def test_a_whole_keyboard_that_is_heard(cents: int, tones: ModuleType) -> None:
    rng = np.random.default_rng(200 + cents)
    blows = tones.evenly_spaced(KEYS, gap_s=0.6, hold_s=0.4)
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng, detune_cents=cents)
    midis, onsets, run = _hear(x)
    assert midis == KEYS
    assert np.abs(np.array(onsets) - [b.onset_s for b in blows]).max() < 0.03
    assert np.median(np.abs(np.array(onsets) - [b.onset_s for b in blows])) < 0.005
    assert run.detune_semitones == pytest.approx(cents / 100, abs=0.08)


def test_three_blows_of_different_strength_on_every_key_down(tones: ModuleType) -> None:
    rng = np.random.default_rng(31)
    keys = KEYS[::-2]
    blows = [
        tones.Struck(midi=k, onset_s=0.6 + 0.6 * (3 * i + j), hold_s=0.4, level_db=level)
        for i, k in enumerate(keys)
        for j, level in enumerate((-26.0, -16.0, -8.0))
    ]
    midis, _, run = _hear(tones.struck_run(blows, rate_hz=RATE, rng=rng))
    assert midis == [b.midi for b in blows]
    assert run.order == "descending"


def test_a_free_tune_is_heard(tones: ModuleType) -> None:
    rng = np.random.default_rng(32)
    keys = [int(k) for k in rng.integers(30, 100, 40)]
    blows = tones.evenly_spaced(keys, gap_s=0.6, hold_s=0.4)
    midis, _, _ = _hear(tones.struck_run(blows, rate_hz=RATE, rng=rng))
    assert midis == keys


def test_wrong_keys_skips_repeats_and_second_blows_are_heard(tones: ModuleType) -> None:
    rng = np.random.default_rng(33)
    keys = [*range(40, 50), 51, 51, 52, 47, *range(54, 60), 66, *range(61, 75)]
    blows = tones.evenly_spaced(keys, gap_s=0.7, hold_s=0.5)
    bounce = blows[3]
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng)
    again = tones.string_tone(
        f1_hz=tones.equal_tempered_hz(bounce.midi), b=tones.young_b(bounce.midi), rate_hz=RATE,
        length_s=0.35, t60_s=8.0, rng=rng,
    )  # fmt: skip
    tones.put(x, again, at_s=bounce.onset_s + 0.15, rate_hz=RATE, level_db=-10.0)
    for blow in [*blows, tones.Struck(midi=bounce.midi, onset_s=bounce.onset_s + 0.15)]:
        tones.put(
            x, tones.knock(rate_hz=RATE, rng=rng), at_s=blow.onset_s, rate_hz=RATE, level_db=-32.0
        )
    midis, onsets, run = _hear(x)
    expected = sorted(
        [(b.onset_s, b.midi) for b in blows] + [(bounce.onset_s + 0.15, bounce.midi)]
    )
    assert midis == [midi for _, midi in expected]
    odd = {label.midi for label in run.labels if label.is_unexpected}
    assert odd == {47, 66}
    second = [
        onset
        for onset, label in zip(onsets, [i for i in run.labels if i.midi is not None], strict=True)
        if label.is_second_blow
    ]
    assert second == pytest.approx([bounce.onset_s + 0.15], abs=0.02)


def test_talk_and_knocks_between_the_notes_move_no_label(tones: ModuleType) -> None:
    # That some of them look like a low string at first is for the fit of the partials to settle.
    rng = np.random.default_rng(34)
    keys = list(range(36, 92, 2))
    blows = tones.evenly_spaced(keys, first_s=1.2, gap_s=1.6, hold_s=0.6)
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng)
    voices_s, knocks_s = [], []
    for i, blow in enumerate(blows):
        free_s = blow.onset_s + 0.95
        if i % 2 == 0:
            voice = tones.syllable(
                rate_hz=RATE, rng=rng, length_s=rng.uniform(0.2, 0.45),
                voice_hz=rng.uniform(90, 240),
            )  # fmt: skip
            tones.put(x, voice, at_s=free_s, rate_hz=RATE, level_db=-18.0)
            voices_s.append(free_s)
        else:
            knock = tones.knock(rate_hz=RATE, rng=rng)
            tones.put(x, knock, at_s=free_s, rate_hz=RATE, level_db=-14.0)
            knocks_s.append(free_s)
    midis, onsets, run = _hear(x)
    true_s = np.array([blow.onset_s for blow in blows])
    at = np.array(onsets)
    kept = [m for m, t in zip(midis, onsets, strict=True) if np.abs(true_s - t).min() < 0.05]
    assert kept == keys
    assert abs(run.detune_semitones) < 0.1
    voices = sum(bool(np.any(np.abs(at - t) < 0.05)) for t in voices_s)
    assert voices <= 0.4 * len(voices_s)
    assert len(midis) <= len(keys) + voices + len(knocks_s)


def test_25_db_above_a_noise_with_hum(tones: ModuleType) -> None:
    rng = np.random.default_rng(35)
    keys = KEYS[::2]
    blows = tones.evenly_spaced(keys, gap_s=0.8, hold_s=0.55)
    # Peaks at -12 dBFS are about -21 dBFS in the mean square of their first tenth of a second.
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng, noise_dbfs=-46.0)
    t = np.arange(x.size) / RATE
    for n in range(1, 8):
        x += 0.002 / n * np.sin(2 * np.pi * 50.0 * n * t)
    midis, _, _ = _hear(x)
    assert midis == keys


def test_a_beating_unison_is_one_strike(tones: ModuleType) -> None:
    # Two strings of nearly the same strength, 2 cents apart: their sound comes and goes.
    rng = np.random.default_rng(36)
    keys = [60, 64, 67, 76, 87]
    x = 1e-4 * rng.standard_normal(int(16 * RATE))
    for i, midi in enumerate(keys):
        for cents, level in ((0.0, -14.0), (2.0, -14.5)):
            tone = tones.string_tone(
                f1_hz=tones.equal_tempered_hz(midi + cents / 100), b=tones.young_b(midi),
                rate_hz=RATE, length_s=2.7, t60_s=9.0, rng=rng,
            )  # fmt: skip
            tone *= np.minimum(1.0, (tone.size - np.arange(tone.size)) / (0.1 * RATE))
            tones.put(x, tone, at_s=0.5 + 3.0 * i, rate_hz=RATE, level_db=level)
    midis, _, _ = _hear(x)
    assert midis == keys


def test_recordings_of_single_notes_follow_in_no_order() -> None:
    # As files in a folder: A0, A1, ..., C1, C2, ...; weak evidence for the octave above some.
    rng = np.random.default_rng(37)
    midis = sorted(range(21, 109, 3), key=lambda m: (m % 12, m))
    evidence = [_made_up(m, rng, octave_share=0.93) for m in midis]
    onsets = list(2.0 * np.arange(len(midis)))
    run = label_run(evidence, onsets, compass=FULL_COMPASS, sources=range(len(midis)))
    assert _named(run) == midis
    assert run.order == "free"
    assert not any(label.is_unexpected for label in run.labels)
    for _ in range(3):
        mixed = rng.permutation(len(midis))
        again = label_run(
            [evidence[i] for i in mixed], onsets, compass=FULL_COMPASS, sources=range(len(midis))
        )
        assert _named(again) == [midis[i] for i in mixed]


def test_a_sound_that_hardly_rises_is_no_strike_of_this_run() -> None:
    # Beats of a unison and far-off sounds rise by a few dB in all, a blow by hundreds.
    rng = np.random.default_rng(38)
    midis = [60, 61, 61, 62, 63, 64]
    evidence = [_made_up(m, rng) for m in midis]
    run = label_run(
        evidence,
        [0.0, 2.0, 3.0, 4.0, 6.0, 8.0],
        compass=FULL_COMPASS,
        rises_db=[350.0, 420.0, 15.0, 380.0, 60.0, 400.0],
    )
    assert _named(run) == [60, 61, None, 62, 63, 64]


def test_a_soft_blow_in_the_highest_octave_is_one_although_it_hardly_rises() -> None:
    rng = np.random.default_rng(39)
    midis = [96, 98, 100, 101, 103, 105]
    evidence = [_made_up(m, rng, least=0.55) for m in midis]
    run = label_run(
        evidence,
        [0.0, 2.0, 4.0, 6.0, 8.0, 10.0],
        compass=FULL_COMPASS,
        rises_db=[350.0, 420.0, 380.0, 400.0, 60.0, 14.0],
    )
    assert _named(run) == midis
