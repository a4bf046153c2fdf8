"""False-discovery control against published examples, scipy and statsmodels."""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from toneapp.evenness import adjust_p_values, discoveries

# Benjamini and Hochberg (1995), section 3.2 (data from memory): BH refuses 4, Bonferroni 3.
ORIGINAL = np.array(
    [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
        *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
    ]
)

# Example of the manual of the R package HDLSSkST.
MANUAL = np.array([0.50, 0.01, 0.001, 0.69, 0.02, 0.05, 0.0025])


def test_example_of_the_original_paper():
    assert discoveries(ORIGINAL).tolist() == [True] * 4 + [False] * 11
    assert int(np.sum(ORIGINAL <= 0.05 / 15)) == 3


def test_example_of_a_manual():
    assert discoveries(MANUAL).astype(int).tolist() == [0, 1, 1, 0, 1, 0, 1]
    expected = [0.5833, 0.0233, 0.007, 0.69, 0.035, 0.07, 0.00875]
    np.testing.assert_allclose(adjust_p_values(MANUAL), expected, atol=5e-5)


@pytest.mark.parametrize("size", [1, 2, 88, 500])
def test_adjusted_values_agree_with_scipy_and_statsmodels(size):
    from scipy import stats

    p = np.random.default_rng(size).beta(0.5, 2.0, size)
    np.testing.assert_allclose(adjust_p_values(p), stats.false_discovery_control(p), rtol=1e-12)
    refused, adjusted, *_ = multipletests(p, alpha=0.05, method="fdr_bh")
    np.testing.assert_allclose(adjust_p_values(p), adjusted, rtol=1e-12)
    assert discoveries(p).tolist() == refused.tolist()


def test_equal_values_agree_with_scipy():
    from scipy import stats

    p = np.array([0.02, 0.02, 0.02, 0.5, 0.5, 0.001])
    np.testing.assert_allclose(adjust_p_values(p), stats.false_discovery_control(p), rtol=1e-12)
