"""Before/after and the comparison of instruments, with the statistics checked outside."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from invented import invent_run, join
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import DescrStatsW

from toneapp.errors import InputError
from toneapp.evenness import adjust_p_values
from toneapp.keyboard import KeyboardLayout
from toneapp.library import (
    Instrument,
    Purpose,
    Run,
    RunOfInstrument,
    before_after_csv,
    before_after_json,
    before_after_text,
    compare_before_after,
    compare_instruments,
    instruments_csv,
    instruments_json,
    instruments_text,
)
from toneapp.library.comparing_instruments import _median_ranks

FACTS = {"place": "hall", "microphone": "condenser", "gain_note": "12 dB"}


def item(
    result: object, *, run_id: int, instrument_id: int = 1, **facts: object
) -> RunOfInstrument:
    run = Run(instrument_id=instrument_id, id=run_id, recorded_at="2024-05-01",
              **(FACTS | facts))  # fmt: skip
    return RunOfInstrument(
        instrument=Instrument(name=f"Piano {instrument_id}", id=instrument_id),
        run=run,
        result=result,
    )


def voiced() -> tuple[RunOfInstrument, RunOfInstrument]:
    """The same hammers before and after work on two of them."""
    rng = np.random.default_rng(11)
    hammers = {midi: 0.15 * float(rng.standard_normal()) for midi in range(48, 73)}
    after = {midi: 0.2 * value for midi, value in hammers.items()}
    hammers |= {60: 0.7, 66: -0.7}
    return (
        item(invent_run(np.random.default_rng(1), hammers=hammers), run_id=1, condition="before"),
        item(invent_run(np.random.default_rng(2), hammers=after), run_id=2, condition="after"),
    )


def test_the_notes_worked_on_are_found_and_evenness_is_gained() -> None:
    comparison = compare_before_after(*voiced())
    by_name = {change.measure: change for change in comparison.measures}
    brightness = by_name["brightness"]
    changed = {int(m) for m in brightness.changes.midi[brightness.changes.is_changed]}
    assert {60, 66} <= changed
    place = int(np.flatnonzero(brightness.changes.midi == 60)[0])
    assert brightness.changes.low[place] < brightness.changes.difference[place] < -0.4
    assert brightness.gain.low > 0
    assert by_name["level"].changes.is_changed.sum() == 0
    assert by_name["prompt decay"].changes.is_changed.sum() == 0
    assert comparison.warnings == ()


def test_two_runs_of_an_untouched_instrument_change_in_few_notes() -> None:
    # Check value: two runs of the same untouched piano, at most about 5 % of the notes.
    changed = total = 0
    hammers = {midi: 0.1 * float(np.sin(midi)) for midi in range(36, 84)}
    for draw in range(6):
        first = invent_run(np.random.default_rng(100 + draw), midis=range(36, 84), hammers=hammers)
        second = invent_run(
            np.random.default_rng(200 + draw), midis=range(36, 84), hammers=hammers
        )
        comparison = compare_before_after(item(first, run_id=1), item(second, run_id=2))
        for change in comparison.measures:
            if change.changes is not None:
                changed += int(change.changes.is_changed.sum())
                total += change.changes.midi.size
    assert total > 1000
    assert changed <= 0.05 * total


def test_a_change_of_gain_is_no_change_of_the_notes() -> None:
    hammers = dict.fromkeys(range(48, 73), 0.0)
    before = invent_run(np.random.default_rng(1), hammers=hammers)
    after = replace(
        invent_run(np.random.default_rng(2), hammers=hammers, gain_db=9.0), noise_dbfs=-66.0
    )
    comparison = compare_before_after(
        item(before, run_id=1), item(after, run_id=2, gain_note="21 dB")
    )
    level = next(c for c in comparison.measures if c.measure == "level")
    assert level.shift.value == pytest.approx(9.0, abs=0.5)
    assert level.changes.is_changed.sum() == 0
    brightness = next(c for c in comparison.measures if c.measure == "brightness")
    assert brightness.changes.is_changed.sum() == 0
    text = " ".join(comparison.warnings)
    for words in (
        f"all notes together are +{level.shift.value:.1f} dB",
        "room noise differs",
        "setting of the input differs",
    ):
        assert words in text


def test_what_is_not_noted_and_what_differs_is_said() -> None:
    first, second = voiced()
    other = replace(second, run=replace(second.run, microphone="dynamic", place="", distance_m=2.0,
                                        purpose=Purpose.RING_ON))  # fmt: skip
    other = replace(other, result=replace(other.result, room_t60_s=0.9, sample_rate_hz=44_100))
    first = replace(first, run=replace(first.run, distance_m=1.0))
    text = " ".join(compare_before_after(first, other).warnings)
    for words in ("microphone differs", "place is not noted", "stood 1 m away", "ring-on",
                  "reverberates differently", "sampling rate differs"):  # fmt: skip
        assert words in text


def test_single_blows_are_compared_by_how_all_notes_differ() -> None:
    first = item(invent_run(np.random.default_rng(1), strikes=1), run_id=1)
    second = item(invent_run(np.random.default_rng(2), strikes=1), run_id=2)
    comparison = compare_before_after(first, second)
    assert any("one blow on each key" in text for text in comparison.warnings)
    for change in comparison.measures:
        if change.changes is not None:  # nobody touched anything
            assert not change.changes.is_changed.any(), change.measure
    pitch = next(c for c in comparison.measures if c.measure == "pitch")
    assert pitch.changes.midi.size == 25
    assert pitch.overall.low < pitch.overall.value < pitch.overall.high
    few = {48, 49, 50}
    one, two = (
        replace(
            run,
            result=join([s for s in run.result.strikes if s.midi in few], layout=KeyboardLayout()),
        )
        for run in (first, second)
    )
    assert "needs repeated blows" in before_after_text(compare_before_after(one, two))


def test_runs_that_cannot_be_compared_are_refused() -> None:
    first, second = voiced()
    with pytest.raises(InputError, match="one instrument"):
        compare_before_after(first, replace(second, instrument=Instrument(name="B", id=2)))
    with pytest.raises(InputError, match="same run"):
        compare_before_after(first, first)
    with pytest.raises(InputError, match="from 2 to 6"):
        compare_instruments([first])
    with pytest.raises(InputError, match="twice"):
        compare_instruments([first, first])


def test_the_comparison_is_told_in_text_table_and_json() -> None:
    comparison = compare_before_after(*voiced())
    text = before_after_text(comparison)
    assert max(map(len, text.splitlines())) <= 79
    assert "C4" in text
    data = json.loads(json.dumps(before_after_json(comparison), allow_nan=False))
    assert data["format"] == "toneapp-before-after/1"
    brightness = next(m for m in data["measures"] if m["measure"] == "brightness")
    assert len(brightness["notes"]) == 25
    rows = before_after_csv(comparison).decode("ascii").splitlines()
    assert rows[0].startswith("measure,unit,midi")
    assert max(len(cell.lstrip("-0.").replace(".", "")) for cell in rows[1].split(",")[4:9]) <= 6
    assert len(rows) == 1 + sum(len(m["notes"]) for m in data["measures"])


def test_instruments_are_compared_without_their_level_unless_calibrated() -> None:
    items = [
        item(
            invent_run(np.random.default_rng(n), hammers=dict.fromkeys(range(48, 73), 0.05 * n),
                       gain_db=6.0 * n),
            run_id=n, instrument_id=n,
        )
        for n in (1, 2, 3)
    ]  # fmt: skip
    comparison = compare_instruments(items)
    assert "level" not in {name for name, _, _ in comparison.differences}
    assert any("not all runs are calibrated" in text for text in comparison.warnings)
    brightness = {name: values for name, _, values in comparison.differences}["brightness"]
    # Twice and three times the hammers of the first, by construction; the interval is of 95 %.
    assert [d.value for d in brightness] == pytest.approx([0.05, 0.10], abs=0.02)
    calibrated = [replace(i, result=replace(i.result, calibration_db=120.0)) for i in items]
    again = compare_instruments(calibrated)
    level = {name: values for name, _, values in again.differences}["level"]
    assert level[0].value == pytest.approx(6.0, abs=0.5)
    text = instruments_text(comparison)
    assert "[3]" in text
    data = json.loads(json.dumps(instruments_json(comparison), allow_nan=False))
    assert len(data["runs"]) == 3
    assert len(instruments_csv(comparison).splitlines()) == 1 + 3 * len(comparison.figures)


def test_times_are_told_in_per_cent_and_kept_as_logarithms() -> None:
    before, _ = voiced()
    slower = tuple(
        replace(strike, prompt_t60_s=1.25 * strike.prompt_t60_s)
        for strike in before.result.strikes
    )
    after = item(replace(before.result, strikes=slower), run_id=2)
    comparison = compare_before_after(before, after)
    text = before_after_text(comparison)
    assert "prompt decay   +25.0 % [+25.0, +25.0] over 25 notes" in text
    table = before_after_csv(comparison).decode("ascii")
    row = next(line for line in table.splitlines() if line.startswith("prompt decay"))
    assert row.split(",")[1] == "%"
    assert float(row.split(",")[4]) == pytest.approx(25.0)
    assert "ln ratio" not in text + table
    decay = next(
        m for m in before_after_json(comparison)["measures"] if m["measure"] == "prompt decay"
    )
    assert decay["overall"]["value"] == pytest.approx(np.log(1.25))
    assert decay["unit"] == "ln ratio"
    side_by_side = instruments_text(compare_instruments(voiced()))
    assert "ln ratio" not in side_by_side
    assert "times in per cent" in side_by_side


def test_the_scatter_of_tuning_has_an_interval() -> None:
    figures = {name: found for name, _, found in compare_instruments(voiced()).figures}
    for figure in figures["scatter of tuning"]:
        assert figure.low < figure.value < figure.high


def test_different_rooms_and_microphones_are_said() -> None:
    first = item(invent_run(np.random.default_rng(1)), run_id=1)
    second = item(replace(invent_run(np.random.default_rng(2)), room_t60_s=0.8), run_id=2,
                  instrument_id=2, place="barn", microphone="")  # fmt: skip
    text = " ".join(compare_instruments([first, second]).warnings)
    for words in ("place differs", "microphone is not noted", "rooms reverberate"):
        assert words in text


def test_the_paired_interval_is_that_of_scipy_and_statsmodels() -> None:
    from scipy import stats

    comparison = compare_before_after(*voiced())
    decay = next(c for c in comparison.measures if c.measure == "prompt decay")
    change = decay.changes.difference
    theirs = stats.ttest_1samp(change, 0.0)
    low, high = theirs.confidence_interval(0.95)
    assert decay.overall.value == pytest.approx(change.mean(), rel=1e-9)
    assert (decay.overall.low, decay.overall.high) == pytest.approx((low, high), rel=1e-6)
    assert decay.overall.p_value == pytest.approx(theirs.pvalue, rel=1e-6)
    assert DescrStatsW(change).tconfint_mean() == pytest.approx((low, high), rel=1e-6)


def test_the_false_discovery_control_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(5)
    for n in (1, 2, 7, 88):
        p = np.concatenate([rng.uniform(0, 1, n), rng.uniform(0, 1e-3, n)])
        rejected, theirs, _, _ = multipletests(p, alpha=0.05, method="fdr_bh")
        np.testing.assert_allclose(adjust_p_values(p), theirs, rtol=1e-12)
        np.testing.assert_array_equal(adjust_p_values(p) <= 0.05, rejected)


@pytest.mark.parametrize("n", [5, 6, 10, 25, 88])
def test_the_interval_of_a_median_is_the_binomial_one(n: int) -> None:
    from scipy import stats

    ranks = _median_ranks(n)
    if n < 6:
        assert ranks is None
        return
    lower, upper = ranks
    # Coverage of the order statistics, from the distribution function of scipy.
    coverage = stats.binom.cdf(upper, n, 0.5) - stats.binom.cdf(lower, n, 0.5)
    assert coverage >= 0.95
    tighter = stats.binom.cdf(upper - 1, n, 0.5) - stats.binom.cdf(lower + 1, n, 0.5)
    assert tighter < 0.95
