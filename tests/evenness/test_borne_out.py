import numpy as np
import pytest

from toneapp.evenness.borne_out import borne_out

N = 4000


def drawn(rng, *, rho=-0.5, scatter=2.0, other_scatter=0.08):
    covariance = np.array(
        [
            [scatter**2, rho * scatter * other_scatter],
            [rho * scatter * other_scatter, other_scatter**2],
        ]
    )
    first, other = rng.multivariate_normal([0, 0], covariance, N).T
    return first, np.full(N, scatter), other, np.full(N, other_scatter), covariance


def test_ratio_is_the_linear_discriminant_written_out():
    rng = np.random.default_rng(1)
    first, scatter, other, other_scatter, covariance = drawn(rng, rho=0.0)
    per_unit = rng.uniform(-0.1, -0.01, N)
    found = borne_out(first, scatter, other, other_scatter, per_unit)
    inverse = np.linalg.inv(covariance)
    for i in range(50):
        v, r = np.array([1.0, per_unit[i]]), np.array([first[i], other[i]])
        expected = v @ inverse @ r / np.sqrt(v @ inverse @ v)
        # The correlation is taken from the draws, in which it is not quite 0.
        assert found.ratio[i] == pytest.approx(expected, rel=0.03, abs=0.1)


def test_ordinary_notes_scatter_by_one():
    first, scatter, other, other_scatter, _ = drawn(np.random.default_rng(2))
    found = borne_out(first, scatter, other, other_scatter, np.full(N, -0.07))
    assert np.std(found.ratio) == pytest.approx(1.0, rel=0.05)


def test_two_measures_tell_more_than_one():
    rng = np.random.default_rng(3)
    first, scatter, other, other_scatter, _ = drawn(rng)
    first[:40] += 5.0
    other[:40] -= 5.0 * 0.07
    found = borne_out(first, scatter, other, other_scatter, np.full(N, -0.07))
    assert np.median(found.ratio[:40]) > 1.2 * np.median(first[:40] / scatter[:40])
    assert np.mean(found.may_be[:40]) > 0.6


def test_a_measure_that_strays_alone_is_no_ground():
    rng = np.random.default_rng(4)
    first, scatter, other, other_scatter, _ = drawn(rng, rho=0.0)
    other[:40] -= 0.5  # a dull hammer: the line is low, the level is what it was
    first[40:80] += 6.0  # a firm hand: the line is where it was
    found = borne_out(first, scatter, other, other_scatter, np.full(N, -0.07))
    assert np.mean(found.may_be[:40]) < 0.1
    assert np.median(found.ratio[40:80]) < 0.8 * np.median(first[40:80] / scatter[40:80])


def test_few_notes_tell_no_correlation():
    first, other = np.linspace(-1, 1, 8), np.linspace(-0.1, 0.1, 8)
    found = borne_out(first, np.ones(8), other, np.full(8, 0.1), np.full(8, -0.1))
    expected = (first - other / 0.1) / np.sqrt(2.0)
    np.testing.assert_allclose(found.ratio, expected, atol=1e-12)
