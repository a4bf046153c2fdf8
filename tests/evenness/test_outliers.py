import math

import numpy as np
import pytest

from toneapp.evenness import judge_residuals

X = np.arange(21.0, 109.0)


def values(rng, *, ordinary=0.0, se=0.1):
    return 0.01 * X + rng.normal(0, np.hypot(ordinary, se), X.size)


def judge(value, *, se=0.1, df=30.0, audible=0.05, limit=math.inf, by_hand=None):
    return judge_residuals(
        X,
        value,
        np.full(X.size, se),
        np.full(X.size, df),
        audible=audible,
        ordinary_limit=limit,
        by_hand=by_hand,
    )


def test_chance_raises_next_to_nothing():
    rng = np.random.default_rng(0)
    counts = [judge(values(rng)).is_raised.sum() for _ in range(150)]
    # A run with any raised note may come in one case of twenty; ends and span add a little.
    assert np.mean(np.array(counts) > 0) < 0.1
    assert np.mean(counts) < 0.2


@pytest.mark.parametrize("ordinary", [0.2, 0.5])
def test_ordinary_unevenness_is_no_fault(ordinary):
    rng = np.random.default_rng(1)
    counts = [judge(values(rng, ordinary=ordinary)).is_raised.sum() for _ in range(60)]
    assert np.mean(counts) < 0.3


def test_beyond_the_limit_unevenness_is_a_worklist():
    rng = np.random.default_rng(2)
    value = values(rng, ordinary=0.6)
    assert judge(value, limit=0.1).is_raised.sum() > 10
    assert judge(value).is_raised.sum() <= 2


def test_both_audible_and_beyond_chance():
    rng = np.random.default_rng(3)
    value = values(rng)
    value[30] += 0.8
    assert judge(value).is_raised[30]
    assert not judge(value, audible=1.5).is_raised[30]
    assert not judge(value, se=0.5).is_raised[30]


def test_an_error_known_from_few_blows_needs_more():
    rng = np.random.default_rng(4)
    value = values(rng)
    value[30] += 0.55
    assert judge(value).p_adjusted[30] < 0.1 * judge(value, df=2.0).p_adjusted[30]


def test_what_the_hand_explains_is_not_raised():
    rng = np.random.default_rng(5)
    value = values(rng)
    value[[20, 40, 60]] += 1.0
    by_hand = value.copy()
    by_hand[20] -= 1.0  # all of it
    by_hand[40] -= 2.5  # more than all
    by_hand[60] += 1.0  # the hand hid half of it
    found = judge(value, by_hand=by_hand)
    assert found.is_raised[[20, 40, 60]].tolist() == [False, False, True]


def test_figures_of_the_run_leave_the_errors_out():
    rng = np.random.default_rng(6)
    found = [judge(values(rng, ordinary=0.3)) for _ in range(40)]
    assert np.mean([f.own_spread for f in found]) == pytest.approx(0.3, rel=0.1)
    assert np.mean([f.ordinary_spread for f in found]) == pytest.approx(0.3, rel=0.1)


def test_too_few_notes_are_not_judged():
    few = X[:6]
    assert judge_residuals(few, few, few, few, audible=1.0, ordinary_limit=math.inf) is None


def with_companion(
    rng: np.random.Generator, *, fault_db: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels and brightness of notes that move together, one level off by itself at the 40th."""
    x = np.arange(21.0, 109.0)
    bright = rng.normal(0.0, 0.1, x.size)
    level = 15.0 * bright + rng.normal(0.0, 0.7, x.size)
    level[40] += fault_db
    return x, level, bright


def judged_level(x: np.ndarray, level: np.ndarray, companion: np.ndarray | None):
    return judge_residuals(
        x, level, np.full(x.size, 0.5), np.full(x.size, 50.0), audible=1.0,
        ordinary_limit=np.inf, companion=companion,
    )  # fmt: skip


def test_what_a_companion_accounts_for_does_not_hide_a_fault():
    plain, told, others = 0, 0, []
    for i in range(12):
        x, level, bright = with_companion(np.random.default_rng(i), fault_db=4.0)
        plain += int(judged_level(x, level, None).is_raised[40])
        found = judged_level(x, level, bright)
        told += int(found.is_raised[40])
        others.append(int(found.is_raised.sum()) - int(found.is_raised[40]))
    assert told >= 11 > plain + 3
    assert max(others) <= 2


def test_what_a_companion_accounts_for_is_not_raised():
    x, level, bright = with_companion(np.random.default_rng(3), fault_db=0.0)
    bright[60] = 0.5
    level[60] = 7.5
    assert judged_level(x, level, None).is_raised[60]
    assert not judged_level(x, level, bright).is_raised[60]


def test_a_companion_leaves_the_residuals_as_they_are():
    x, level, bright = with_companion(np.random.default_rng(4), fault_db=4.0)
    assert np.array_equal(
        judged_level(x, level, bright).residual, judged_level(x, level, None).residual
    )
