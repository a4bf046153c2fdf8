import pytest

from toneapp.evenness.pooling import common_flags, pool_limits, pool_measured, pool_median
from toneapp.results import Flag, StrikeResult


def test_precise_strikes_weigh_more():
    mean, se = pool_measured([(10.0, 0.1), (10.4, 0.2)])
    assert mean == pytest.approx((10.0 * 100 + 10.4 * 25) / 125, abs=0.02)
    assert se >= 0.1 * 0.2 / (0.1**2 + 0.2**2) ** 0.5


def test_one_wild_strike_of_five_hardly_counts():
    values = [(-11.0, 0.2), (-11.1, 0.2), (-10.9, 0.2), (-11.05, 0.2), (40.0, 0.2)]
    assert pool_measured(values)[0] == pytest.approx(-11.0, abs=0.3)


def test_error_covers_the_scatter_that_is_seen():
    assert pool_measured([(0.0, 0.01), (1.0, 0.01), (2.0, 0.01)])[1] == pytest.approx(
        0.577, abs=0.1
    )
    assert pool_measured([(0.0, 0.01), (1.0, 0.01)])[1] == pytest.approx(0.5, abs=0.01)


def test_agreement_does_not_shrink_the_error_below_its_promise():
    assert pool_measured([(1.0, 0.3)] * 4)[1] == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([], (None, None)),
        ([(None, 0.1), (None, None)], (None, None)),
        ([(2.0, None)], (2.0, None)),
        ([(2.0, 0.5), (None, None)], (2.0, 0.5)),
        ([(2.0, 0.0), (2.0, None)], (2.0, None)),
    ],
)
def test_missing_values_and_errors(values, expected):
    assert pool_measured(values) == expected


def test_median_and_limits():
    assert pool_median([1.0, None, 9.0, 2.0]) == 2.0
    assert pool_median([None]) is None
    assert pool_limits([(-50.0, True), (-40.0, False), (-44.0, False)]) == -42.0
    assert pool_limits([(None, True)]) is None


def test_only_what_all_strikes_say_is_said_of_the_note():
    def strike(*flags):
        return StrikeResult(midi=60, note="C4", onset_s=0.0, end_s=1.0, flags=flags)

    found = common_flags([strike(Flag.CLIPPED, Flag.QUIET), strike(Flag.QUIET)])
    assert found == (Flag.QUIET,)
