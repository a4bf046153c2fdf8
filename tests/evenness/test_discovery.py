import numpy as np
import pytest

from toneapp.evenness import adjust_p_values, discoveries


def test_chance_alone_seldom_makes_a_discovery():
    rng = np.random.default_rng(0)
    any_found = [discoveries(rng.uniform(size=88)).any() for _ in range(1000)]
    # With no true effect the chance of any discovery is the rate, 5 %; 2 % is three errors.
    assert np.mean(any_found) == pytest.approx(0.05, abs=0.021)


def test_share_of_false_discoveries_is_held():
    rng = np.random.default_rng(1)
    shares = []
    for _ in range(400):
        p = rng.uniform(size=88)
        p[:20] = rng.beta(0.1, 30, 20)
        found = discoveries(p)
        shares.append(found[20:].sum() / max(found.sum(), 1))
    assert np.mean(shares) < 0.05


def test_order_does_not_matter():
    rng = np.random.default_rng(2)
    p, order = rng.uniform(size=40) ** 3, rng.permutation(40)
    assert adjust_p_values(p)[order].tolist() == adjust_p_values(p[order]).tolist()


def test_none_is_none():
    assert adjust_p_values(np.zeros(0)).size == 0


@pytest.mark.parametrize("wrong", [-0.1, 1.1, np.nan])
def test_what_is_no_probability_is_refused(wrong):
    with pytest.raises(ValueError, match=r"\[0, 1\]"):
        adjust_p_values(np.array([0.5, wrong]))
