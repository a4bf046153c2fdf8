"""Whole runs from file to result, against what the formulas that made them say."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import soundfile

from toneapp.analysis import GivenLabel, analyse
from toneapp.errors import Cancelled
from toneapp.keyboard import Compass, KeyboardLayout
from toneapp.results import Flag, RunResult, StrikeResult

Write = Callable[..., Path]
Small = tuple[Path, list[tuple[int, float]]]


@pytest.fixture(scope="module")
def result(small_run: Small) -> RunResult:
    return analyse(small_run[0])


def _cents(a: float, b: float) -> float:
    return 1200.0 * float(np.log2(a / b))


def test_every_blow_is_found_and_named(small_run: Small, result: RunResult) -> None:
    played = small_run[1]
    assert [strike.midi for strike in result.strikes] == [midi for midi, _ in played]
    off_s = np.array([s.onset_s for s in result.strikes]) - [onset for _, onset in played]
    assert np.median(np.abs(off_s)) < 0.005
    assert np.abs(off_s).max() < 0.015
    assert result.order == "ascending"
    assert result.unexpected == ()
    assert set(result.missing) == set(range(21, 109)) - {midi for midi, _ in played}
    assert result.sample_rate_hz == 32000
    assert result.source == "small run.flac"


def test_pitch_and_stiffness_are_those_of_the_formula(
    result: RunResult, tones: ModuleType
) -> None:
    for strike in result.strikes:
        assert strike.f1_hz is not None
        assert strike.cents is not None
        true_hz = tones.equal_tempered_hz(strike.midi)
        # Held for 0.9 s over a noise 60 dB below the peak: far below a tenth of a cent.
        assert abs(_cents(strike.f1_hz, true_hz)) < 0.1, strike.note
        assert strike.cents == pytest.approx(_cents(strike.f1_hz, true_hz), abs=1e-9)
        assert strike.B is not None
        assert abs(strike.B / tones.young_b(strike.midi) - 1.0) < 0.02, strike.note
        series = tones.partials_hz(true_hz, tones.young_b(strike.midi), 60)
        loudest = max(partial.level_db for partial in strike.partials)
        for partial in strike.partials:
            if partial.level_db > loudest - 40.0:
                assert abs(_cents(partial.hz, series[partial.n - 1])) < 0.5
    assert result.a4_measured_hz == pytest.approx(440.0, abs=0.05)


def test_the_second_blow_is_softer_by_what_it_was_played(result: RunResult) -> None:
    firm, soft = result.strikes[::2], result.strikes[1::2]
    drops = [
        a.level_db - b.level_db
        for a, b in zip(firm, soft, strict=True)
        if a.level_db is not None and b.level_db is not None
    ]
    assert len(drops) == len(firm)
    # Both blows have the same partials in other phases, which moves the peak that is set equal.
    assert np.median(drops) == pytest.approx(6.0, abs=1.0)


def test_two_processes_give_the_same_as_one(small_run: Small, result: RunResult) -> None:
    assert analyse(small_run[0], jobs=2) == result


def _read(path: Path) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(path, dtype="float64")
    return samples, int(rate)


def test_gain_moves_levels_only(small_run: Small, result: RunResult, write: Write) -> None:
    samples, rate = _read(small_run[0])
    softer = analyse(write(samples * 10 ** (-12 / 20), rate=rate, subtype="FLOAT"))
    assert [s.midi for s in softer.strikes] == [s.midi for s in result.strikes]
    for one, other in zip(result.strikes, softer.strikes, strict=True):
        assert one.f1_hz is not None
        assert other.f1_hz is not None
        assert one.level_db is not None
        assert other.level_db is not None
        assert other.onset_s == pytest.approx(one.onset_s, abs=1e-3)
        assert abs(_cents(other.f1_hz, one.f1_hz)) < 1e-3
        assert other.level_db - one.level_db == pytest.approx(-12.0, abs=1e-3)
        assert other.brightness == pytest.approx(one.brightness, abs=1e-4)
        for a, b in zip(one.partials, other.partials, strict=True):
            assert b.level_db - a.level_db == pytest.approx(-12.0, abs=1e-3)


def test_a_delay_moves_onsets_only(small_run: Small, result: RunResult, write: Write) -> None:
    samples, rate = _read(small_run[0])
    delay = int(0.7321 * rate)
    rng = np.random.default_rng(51)
    lead = 10 ** (-72 / 20) * rng.standard_normal(delay)
    later = analyse(write(np.concatenate([lead, samples]), rate=rate, subtype="FLOAT"))
    assert [s.midi for s in later.strikes] == [s.midi for s in result.strikes]
    for one, other in zip(result.strikes, later.strikes, strict=True):
        assert one.f1_hz is not None
        assert other.f1_hz is not None
        assert one.level_db is not None
        assert other.onset_s - delay / rate == pytest.approx(one.onset_s, abs=0.003)
        # The onset may be placed a few samples apart, and windows with it.
        assert abs(_cents(other.f1_hz, one.f1_hz)) < 0.02
        assert other.level_db == pytest.approx(one.level_db, abs=0.1)


def test_a_reference_pitch_moves_cents_only(small_run: Small, result: RunResult) -> None:
    other = analyse(small_run[0], a4_hz=442.0)
    assert other.a4_reference_hz == 442.0
    for one, moved in zip(result.strikes, other.strikes, strict=True):
        assert moved.f1_hz == one.f1_hz
        assert moved.midi == one.midi
        assert moved.cents is not None
        assert one.cents is not None
        # 1200 log2(442/440) = 7.8514, worked out.
        assert moved.cents - one.cents == pytest.approx(-7.8514, abs=1e-3)


def test_labels_by_hand_override(small_run: Small, result: RunResult) -> None:
    path, played = small_run
    labels = [
        GivenLabel(onset_s=played[2][1] + 0.05, midi=played[2][0] + 1),
        GivenLabel(onset_s=played[5][1], midi=None),
    ]
    named = analyse(path, labels=labels)
    expected = [midi for midi, _ in played]
    expected[2] += 1
    del expected[5]
    assert [strike.midi for strike in named.strikes] == expected
    assert Flag.LABEL_GIVEN in named.strikes[2].flags
    assert all(Flag.LABEL_GIVEN not in strike.flags for strike in result.strikes)


def test_bounds_by_hand_are_measured_within(small_run: Small, result: RunResult) -> None:
    path, _ = small_run
    heard = result.strikes[3]
    assert heard.release_s is not None
    begin_s, release_s = heard.onset_s + 0.04, heard.release_s - 0.3
    label = GivenLabel(
        onset_s=heard.onset_s, midi=heard.midi, exact_onset_s=begin_s, release_s=release_s
    )
    named = analyse(path, labels=[label])
    moved = named.strikes[3]
    assert moved.onset_s == begin_s
    assert moved.release_s == pytest.approx(release_s, abs=1e-9)
    assert Flag.BOUNDS_GIVEN in moved.flags
    # 40 ms into the note its attack is past, and 0.3 s before the damper falls nothing is damped.
    assert moved.level_db is not None
    assert heard.level_db is not None
    assert moved.level_db < heard.level_db
    assert moved.ring_levels_db[0] is not None
    assert heard.ring_levels_db[0] is not None
    assert moved.ring_levels_db[0] > heard.ring_levels_db[0]
    # The other strikes stay as they were.
    assert named.strikes[5].f1_hz == result.strikes[5].f1_hz
    assert named.strikes[5].onset_s == result.strikes[5].onset_s


def test_a_release_beyond_the_next_strike_is_none(small_run: Small) -> None:
    path, played = small_run
    label = GivenLabel(onset_s=played[2][1], midi=played[2][0], release_s=played[3][1] + 0.5)
    found = analyse(path, labels=[label]).strikes[2]
    assert found.release_s is None
    assert Flag.NO_RELEASE in found.flags


def test_a_label_by_hand_stands_even_where_no_string_is_heard(small_run: Small) -> None:
    path, played = small_run
    rest_s = played[3][1] + 1.15  # after the release, before the next blow
    named = analyse(path, labels=[GivenLabel(onset_s=rest_s, midi=30)])
    by_hand = [s for s in named.strikes if Flag.LABEL_GIVEN in s.flags]
    assert [s.midi for s in by_hand] == [30]
    assert by_hand[0].onset_s == rest_s


def test_keys_outside_the_compass_are_not_missed(small_run: Small) -> None:
    layout = KeyboardLayout(compass=Compass.parse("A1-E6"))
    found = analyse(small_run[0], layout=layout)
    assert found.compass == "A1-E6"
    assert set(found.missing) <= set(layout.compass)


def test_strikes_are_told_as_they_are_measured(small_run: Small) -> None:
    told: list[tuple[float, int]] = []
    result = analyse(
        small_run[0], on_strikes=lambda some: told.extend((s.onset_s, s.midi) for s in some)
    )
    assert {(s.onset_s, s.midi) for s in result.strikes} <= set(told)


def test_progress_rises_to_one_and_can_stop_the_work(small_run: Small) -> None:
    shares: list[float] = []
    analyse(small_run[0], progress=shares.append)
    assert shares == sorted(shares)
    assert shares[0] > 0.0
    assert shares[-1] == pytest.approx(1.0)

    def stop(share: float) -> None:
        if share > 0.5:
            raise Cancelled("stopped by the user")

    with pytest.raises(Cancelled, match="stopped by the user"):
        analyse(small_run[0], progress=stop)


@pytest.mark.parametrize(
    ("how", "why"),
    [
        ({"order": "upward"}, "order is ascending, descending or free"),
        ({"a4_hz": 44.0}, "between 380 and 500"),
        ({"a4_hz": float("nan")}, "between 380 and 500"),
    ],
)
def test_wrong_arguments_are_refused(small_run: Small, how: dict[str, object], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        analyse(small_run[0], **how)  # type: ignore[arg-type]


SINGLES = (36, 48, 49, 57, 64, 72, 81, 90)


def _write_singles(folder: Path, tones: ModuleType, names: dict[int, str]) -> None:
    folder.mkdir()
    for midi in SINGLES:
        rng = np.random.default_rng(midi)
        blow = tones.Struck(midi=midi, onset_s=0.4, hold_s=0.8, level_db=-10.0)
        sound = tones.struck_run([blow], rate_hz=32000, rng=rng, length_s=1.8)
        soundfile.write(folder / f"{names[midi]}.flac", sound, 32000, subtype="PCM_24")


def test_the_order_of_files_in_a_folder_does_not_matter(tones: ModuleType, tmp_path: Path) -> None:
    shuffled = np.random.default_rng(52).permutation(len(SINGLES))
    _write_singles(tmp_path / "up", tones, {m: f"take {i}" for i, m in enumerate(SINGLES)})
    _write_singles(
        tmp_path / "mixed", tones, {m: f"take {i}" for i, m in zip(shuffled, SINGLES, strict=True)}
    )
    up, mixed = analyse(tmp_path / "up"), analyse(tmp_path / "mixed")

    def plain(run: RunResult) -> dict[int, StrikeResult]:
        assert sorted(s.midi for s in run.strikes) == list(SINGLES)
        return {s.midi: dataclasses.replace(s, source="") for s in run.strikes}

    assert plain(mixed) == plain(up)
    assert {s.source for s in up.strikes} == {f"take {i}.flac" for i in range(len(SINGLES))}
    assert all(Flag.UNEXPECTED not in s.flags for s in (*up.strikes, *mixed.strikes))


def test_talk_and_knocks_do_not_derail_a_run(tones: ModuleType, write: Write) -> None:
    rng = np.random.default_rng(35)
    rate = 24000
    keys = list(range(36, 92, 2))
    blows = tones.evenly_spaced(keys, first_s=1.2, gap_s=1.6, hold_s=0.6)
    x = tones.struck_run(blows, rate_hz=rate, rng=rng)
    for i, blow in enumerate(blows):
        if i % 2 == 0:
            sound = tones.syllable(
                rate_hz=rate, rng=rng, length_s=rng.uniform(0.2, 0.45),
                voice_hz=rng.uniform(90, 240),
            )  # fmt: skip
        else:
            sound = tones.knock(rate_hz=rate, rng=rng)
        tones.put(x, sound, at_s=blow.onset_s + 0.95, rate_hz=rate, level_db=-18.0 + 4.0 * (i % 2))
    found = analyse(write(x, rate=rate))
    true_s = np.array([blow.onset_s for blow in blows])
    named = [(s.midi, float(np.abs(true_s - s.onset_s).min())) for s in found.strikes]
    assert [midi for midi, off in named if off < 0.03] == keys
    # No more than one of the 28 other sounds is taken for a string.
    assert len(named) <= len(keys) + 1
    heard_s = np.array([item.onset_s for item in found.unexpected])
    assert sum(bool(np.any(np.abs(heard_s - t - 0.95) < 0.1)) for t in true_s) >= 20


def test_a_note_cut_off_by_the_end_of_the_recording_is_one_strike(
    tones: ModuleType, write: Write
) -> None:
    rng = np.random.default_rng(53)
    blows = tones.evenly_spaced([50, 55, 60], gap_s=1.0, hold_s=0.8)
    x = tones.struck_run(blows, rate_hz=32000, rng=rng)
    found = analyse(write(x[: int((blows[-1].onset_s + 0.6) * 32000)], rate=32000))
    assert [s.midi for s in found.strikes] == [50, 55, 60]
    assert Flag.CUT_SHORT in found.strikes[-1].flags


def test_an_instrument_off_pitch_is_named_and_said_to_be(tones: ModuleType, write: Write) -> None:
    rng = np.random.default_rng(54)
    blows = tones.evenly_spaced(list(range(21, 109, 3)), gap_s=0.8, hold_s=0.6)
    x = tones.struck_run(blows, rate_hz=24000, rng=rng, detune_cents=-60.0)
    found = analyse(write(x, rate=24000))
    assert [s.midi for s in found.strikes] == [b.midi for b in blows]
    assert found.a4_measured_hz == pytest.approx(440.0 * 2 ** (-0.6 / 12), abs=0.1)
    middle = [s.cents for s in found.strikes if 40 <= s.midi <= 88 and s.cents is not None]
    assert middle == pytest.approx([-60.0] * len(middle), abs=0.5)
    said = [re.search(r"stands ([+-]\d+) cents", problem) for problem in found.problems]
    assert [int(match.group(1)) for match in said if match] == [pytest.approx(-60, abs=3)]
    assert not any("semitone" in problem for problem in found.problems)


def test_a_part_of_an_instrument_off_pitch_is_open_by_a_semitone(
    tones: ModuleType, write: Write
) -> None:
    rng = np.random.default_rng(55)
    blows = tones.evenly_spaced(list(range(48, 73, 3)), gap_s=0.8, hold_s=0.6)
    x = tones.struck_run(blows, rate_hz=24000, rng=rng, detune_cents=-60.0)
    found = analyse(write(x, rate=24000))
    # Nothing in the sound tells 60 cents flat from 40 cents sharp; old strings are rather flat.
    assert [s.midi for s in found.strikes] == [b.midi for b in blows]
    assert any("too high" in p and "+40 cents" in p for p in found.problems)
    # Given the pitch that the instrument would have by the other reading, that reading it is.
    other = analyse(write(x, rate=24000), a4_hz=440.0 * 2 ** (0.4 / 12))
    assert [s.midi for s in other.strikes] == [b.midi - 1 for b in blows]
    assert not any("semitone" in problem for problem in other.problems)
