"""Sentences about parts of the keyboard: right when there is something, silent when not."""

from __future__ import annotations

import numpy as np
import pytest

from toneapp.sheets.regions import AUDIBLE, REGIONS, compare_regions
from toneapp.sheets.values import KeyValue, KeyValues

KEYS = np.arange(21, 109)
TYPICAL = {"brightness": 2.0, "decay": 6.0, "sustain": 2.0, "damping": 0.3, "ring_on": -45.0}
SCATTER = {"brightness": 0.15, "decay": 0.2, "sustain": 0.2, "damping": 0.3, "ring_on": 4.0}
"""Of single keys: oct, natural log, or dB."""


def draw(
    rng: np.random.Generator, shift: dict[str, np.ndarray] | None = None
) -> dict[str, KeyValues]:
    run = {}
    for measure, typical in TYPICAL.items():
        own = SCATTER[measure] * rng.standard_normal(KEYS.size)
        own = own + (shift or {}).get(measure, 0.0)
        values = (
            typical * np.exp(own) if measure in ("decay", "sustain", "damping") else typical + own
        )
        run[measure] = KeyValues(
            measure=measure,
            values=tuple(
                KeyValue(midi=int(m), value=float(v)) for m, v in zip(KEYS, values, strict=True)
            ),
        )
    return run


def test_a_longer_middle_is_found_with_its_size() -> None:
    rng = np.random.default_rng(2)
    middle = (KEYS >= 60) & (KEYS <= 83)
    first, second = draw(rng), draw(rng, {"sustain": np.where(middle, np.log(1.9), 0.0)})
    differences, measured = compare_regions([first, second])
    assert measured == set(AUDIBLE)
    assert [(d.measure, d.region.name, d.more, d.less) for d in differences] == [
        ("sustain", "middle", 1, 0)
    ]
    (found,) = differences
    a = [first["sustain"].by_key()[m].value for m in range(60, 84)]
    b = [second["sustain"].by_key()[m].value for m in range(60, 84)]
    from scipy import stats

    # Student's paired t, as scipy has it.
    theirs = stats.ttest_rel(b, a)
    interval = theirs.confidence_interval(0.95)
    assert found.keys == 24
    assert found.size.value == pytest.approx(np.mean(b) - np.mean(a))
    assert (found.size.low, found.size.high) == pytest.approx((interval.low, interval.high))


def test_the_farthest_pair_of_several_is_told() -> None:
    rng = np.random.default_rng(4)
    runs = [draw(rng, {"brightness": np.full(KEYS.size, shift)}) for shift in (0.0, 0.6, 0.3)]
    differences, _ = compare_regions(runs)
    assert {(d.more, d.less) for d in differences} == {(1, 0)}
    assert {d.region.name for d in differences} == {region.name for region in REGIONS}


@pytest.mark.parametrize("runs", [2, 6])
def test_alike_instruments_get_hardly_a_sentence(runs: int) -> None:
    # With nothing to find, the false-discovery rate is the chance of any sentence at all: 5 %.
    # 150 draws: at most 15 with a sentence is beyond the 99th percentile of a binomial at 5 %.
    from scipy import stats

    rng = np.random.default_rng(8)
    spoken = sum(bool(compare_regions([draw(rng) for _ in range(runs)])[0]) for _ in range(150))
    assert spoken <= stats.binom.ppf(0.99, 150, 0.05)


def test_a_sure_but_inaudible_difference_gets_none() -> None:
    rng = np.random.default_rng(1)
    first = draw(rng)
    second = {
        "brightness": KeyValues(
            measure="brightness",
            values=tuple(
                KeyValue(midi=v.midi, value=v.value + 0.05) for v in first["brightness"].values
            ),
        )
    }
    assert compare_regions([first, first | second])[0] == ()


def test_limits_do_not_count_as_values() -> None:
    rng = np.random.default_rng(1)
    first, second = draw(rng), draw(rng)
    hidden = KeyValues(
        measure="ring_on",
        values=tuple(
            KeyValue(midi=v.midi, value=-90.0, is_limit=True) for v in second["ring_on"].values
        ),
    )
    _, measured = compare_regions([first, second | {"ring_on": hidden}])
    assert "ring_on" not in measured
