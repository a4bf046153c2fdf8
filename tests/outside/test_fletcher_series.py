"""Stiff strings against published laws and a string worked out by hand from its dimensions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from toneapp.measure.partial_frequencies import PartialFrequencies
from toneapp.measure.series_fit import fit_series
from toneapp.measure.stiff_string import partial_frequency_hz, typical_inharmonicity
from toneapp.pitch import ratio_to_cents

# A plain steel string: E = 200 GPa, 7850 kg/m^3, 1.00 mm thick, 0.62 m long, 261.626 Hz without
# stiffness. From H. Fletcher, J. Acoust. Soc. Am. 36, 203 (1964), hinged ends:
# T = 648.88 N and B = pi^3 E d^4 / (64 T L^2) = 3.88465e-4.
E_PA, DENSITY, D_M, L_M, F0_HZ = 2.0e11, 7850.0, 1.0e-3, 0.62, 261.626
B_WORKED = 3.88465e-4
WORKED_HZ = {
    1: 261.6768, 2: 523.6584, 4: 1049.7512, 8: 2118.8662, 16: 4389.2268, 20: 5624.3770,
}  # fmt: skip


def _series(hz: np.ndarray, n: np.ndarray, se_hz: float = 1e-4) -> PartialFrequencies:
    return PartialFrequencies(
        n=n.astype(np.int64),
        hz=hz,
        peak_hz=hz,
        hz_se=np.full(n.size, se_hz),
        amplitude=np.full(n.size, 0.1),
        snr_db=np.full(n.size, 60.0),
    )


def test_b_from_the_dimensions_of_the_string() -> None:
    tension_n = math.pi * D_M**2 / 4 * DENSITY * (2 * L_M * F0_HZ) ** 2
    b = math.pi**3 * E_PA * D_M**4 / (64 * tension_n * L_M**2)
    assert tension_n == pytest.approx(648.88, abs=0.01)
    assert b == pytest.approx(B_WORKED, rel=1e-5)
    # The same without the tension, from the frequency.
    again = math.pi**2 * E_PA * D_M**2 / (64 * DENSITY * L_M**4 * F0_HZ**2)
    assert again == pytest.approx(b, rel=1e-9)


@pytest.mark.parametrize(("n", "hz"), WORKED_HZ.items())
def test_partials_of_the_worked_string(n: int, hz: float) -> None:
    assert partial_frequency_hz(n, f0_hz=F0_HZ, inharmonicity=B_WORKED) == pytest.approx(
        hz, abs=1e-3
    )


@pytest.mark.parametrize(
    ("n", "from_f0", "from_f1"),
    [(1, 0.336, 0.0), (2, 1.344, 1.008), (4, 5.364, 5.027), (8, 21.258, 20.921),
     (16, 82.067, 81.731)],
)  # fmt: skip
def test_inharmonicity_of_the_worked_string_in_cents(
    n: int, from_f0: float, from_f1: float
) -> None:
    hz = partial_frequency_hz(n, f0_hz=F0_HZ, inharmonicity=B_WORKED)
    f1 = partial_frequency_hz(1, f0_hz=F0_HZ, inharmonicity=B_WORKED)
    assert float(ratio_to_cents(hz / (n * F0_HZ))) == pytest.approx(from_f0, abs=1e-3)
    assert float(ratio_to_cents(hz / (n * f1))) == pytest.approx(from_f1, abs=1e-3)


def test_fit_finds_the_worked_string_from_its_partials() -> None:
    n = np.array(sorted(WORKED_HZ))
    fit = fit_series(_series(np.array([WORKED_HZ[int(k)] for k in n]), n), midi=60)
    assert fit is not None
    assert fit.inharmonicity == pytest.approx(B_WORKED, rel=0.01)
    assert float(ratio_to_cents(fit.f0_hz / F0_HZ)) == pytest.approx(0.0, abs=0.01)
    assert fit.f1_hz == pytest.approx(261.6768, abs=1e-3)


def test_fit_agrees_with_the_formula_for_two_partials() -> None:
    # B = (r - 1) / (n^2 - r m^2) with r = (m f_n / (n f_m))^2, worked out: 3.884647e-4.
    f1, f8 = 261.6768113, 2118.8661774
    r = (f8 / (8 * f1)) ** 2
    assert (r - 1) / (64 - r) == pytest.approx(3.884647e-4, rel=1e-6)
    fit = fit_series(_series(np.array([f1, f8]), np.array([1, 8])), midi=60)
    assert fit is not None
    # Two partials leave no scatter to be seen, so half a cent is assumed, and the expected B
    # draws the fit by its share of the weight: less than its own standard error.
    assert fit.inharmonicity_se is not None
    assert fit.inharmonicity == pytest.approx(3.884647e-4, abs=fit.inharmonicity_se)


def test_youngs_constant_follows_from_the_formula() -> None:
    # R. W. Young, J. Acoust. Soc. Am. 24, 267 (1952): the n-th mode is 3.4e13 n^2 d^2 / (nu^2 l^4)
    # cents sharp (cm, Hz), Q/rho = 25.5e10 cm^2/s^2. To first order in B.
    constant = 600.0 / math.log(2.0) * math.pi**2 / 64.0 * 25.5e10
    assert constant == pytest.approx(3.404e13, rel=1e-3)
    assert constant == pytest.approx(3.4e13, rel=2e-3)
    d_cm, l_cm, hz = 0.1, 62.0, 261.626
    b = math.pi**2 / 64.0 * 25.5e10 * d_cm**2 / (l_cm**4 * hz**2)
    sharp = ratio_to_cents(
        partial_frequency_hz(np.array([1, 2, 3]), f0_hz=hz, inharmonicity=b)
        / (np.array([1, 2, 3]) * hz)
    )
    assert sharp == pytest.approx(
        3.4e13 * np.array([1, 4, 9]) * d_cm**2 / (hz**2 * l_cm**4), rel=0.004
    )


@pytest.mark.parametrize(
    ("midi", "b"), [(60, 3.47e-4), (72, 9.8e-4), (84, 2.8e-3), (96, 7.8e-3), (108, 2.2e-2)]
)
def test_expected_b_follows_young_above_middle_c(midi: int, b: float) -> None:
    # Young 1952: 1.2 cents at mode 2 of middle C, doubling every eight semitones; six pianos.
    assert typical_inharmonicity(float(midi)) == pytest.approx(b, rel=0.10)


def test_expected_b_at_middle_c_agrees_with_the_literature_string() -> None:
    # Chaigne & Askenfelt, J. Acoust. Soc. Am. 95, 1112 (1994), C4: eps = 3.82e-5 (as found in
    # public code that uses it), B = pi^2 eps = 3.770e-4; and C7: 8.67e-4, B = 8.56e-3 (from
    # memory). Two sources apart from Young; both agree with him within 9 %.
    assert math.pi**2 * 3.82e-5 == pytest.approx(3.770e-4, rel=1e-3)
    assert typical_inharmonicity(60.0) == pytest.approx(math.pi**2 * 3.82e-5, rel=0.10)
    assert typical_inharmonicity(96.0) == pytest.approx(math.pi**2 * 8.67e-4, rel=0.10)


def test_expected_b_of_wound_strings_is_plausible() -> None:
    # 1e-4 to 5e-4 at A0, least 5e-5 to 2e-4 about the break (common practice, no source).
    below = np.arange(21.0, 60.0)
    b = typical_inharmonicity(below)
    assert 1e-4 < b[0] < 5e-4
    assert 5e-5 < b.min() < 2.1e-4
    assert 30 < below[np.argmin(b)] < 52


@pytest.mark.parametrize(("b", "cents"), [(1e-4, 0.2596), (3.5e-4, 0.9081), (1e-3, 2.5904)])
def test_stretch_of_an_octave_tuned_two_to_one(b: float, cents: float) -> None:
    # f1 of the upper note on f2 of the lower: 600 log2((1 + 4 B) / (1 + B)), worked out.
    f1, f2 = (partial_frequency_hz(n, f0_hz=100.0, inharmonicity=b) for n in (1, 2))
    assert float(ratio_to_cents(f2 / (2 * f1))) == pytest.approx(cents, abs=1e-4)


def test_stretch_of_an_octave_tuned_four_to_two() -> None:
    # B = 3.5e-4 below and 1e-3 above: 1.9406 cents between the first partials, worked out.
    f4 = partial_frequency_hz(4, f0_hz=100.0, inharmonicity=3.5e-4)
    f1 = partial_frequency_hz(1, f0_hz=100.0, inharmonicity=3.5e-4)
    upper_f0 = f4 / partial_frequency_hz(2, f0_hz=1.0, inharmonicity=1e-3)
    upper_f1 = partial_frequency_hz(1, f0_hz=upper_f0, inharmonicity=1e-3)
    assert float(ratio_to_cents(upper_f1 / (2 * f1))) == pytest.approx(1.9406, abs=1e-4)
