"""Series of a stiff string: searched in a spectrum, measured in bands, fitted."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.measure.partial_frequencies import PartialFrequencies, measure_partials
from toneapp.measure.series import find_series
from toneapp.measure.series_fit import SeriesFit, fit_series
from toneapp.measure.stiff_string import partial_frequency_hz, typical_inharmonicity
from toneapp.signal.bands import extract_bands, transform_strike
from toneapp.signal.peaks import amplitude_spectrum

RATE = 16000


def _measured(n: np.ndarray, hz: np.ndarray, se_cents: float = 0.01) -> PartialFrequencies:
    return PartialFrequencies(
        n=n.astype(np.int64),
        hz=hz,
        peak_hz=hz,
        hz_se=hz * se_cents * np.log(2) / 1200,
        amplitude=np.full(n.size, 0.1),
        snr_db=np.full(n.size, 50.0),
    )


def _series(n: np.ndarray, f0_hz: float, b: float) -> np.ndarray:
    return n * f0_hz * np.sqrt(1.0 + b * n**2)


def _cents(a: float, b: float) -> float:
    return 1200.0 * float(np.log2(a / b))


def _fit(n: np.ndarray, hz: np.ndarray, midi: float) -> SeriesFit:
    fit = fit_series(_measured(n, hz), midi=midi)
    assert fit is not None
    return fit


@given(f0_hz=st.floats(20.0, 4000.0), b=st.floats(0.0, 0.05), n=st.integers(1, 40))
def test_partials_rise_with_stiffness(f0_hz: float, b: float, n: int) -> None:
    hz = partial_frequency_hz(n, f0_hz=f0_hz, inharmonicity=b)
    assert hz >= n * f0_hz
    assert partial_frequency_hz(np.array([n]), f0_hz=f0_hz, inharmonicity=b)[0] == hz
    assert (hz / (n * f0_hz)) ** 2 == pytest.approx(1.0 + b * n * n, rel=1e-12)


@pytest.mark.parametrize(("f0_hz", "b"), [(0.0, 1e-4), (-5.0, 1e-4), (100.0, -1e-6)])
def test_impossible_strings_are_refused(f0_hz: float, b: float) -> None:
    with pytest.raises(ValueError, match="f0 must be > 0 and B >= 0"):
        partial_frequency_hz(1, f0_hz=f0_hz, inharmonicity=b)


@given(
    midi=st.integers(24, 90),
    spread=st.floats(-0.7, 0.7),
    off_cents=st.floats(-50.0, 50.0),
    many=st.integers(6, 25),
)
def test_a_perfect_series_is_found_again(
    midi: int, spread: float, off_cents: float, many: int
) -> None:
    b = typical_inharmonicity(float(midi)) * float(np.exp(spread))
    f0 = 440.0 * 2.0 ** ((midi - 69 + off_cents / 100) / 12)
    n = np.arange(1, many + 1)
    fit = _fit(n, _series(n, f0, b), midi)
    # Six partials of a low string tell little about so small a B, and the expected one is heard
    # along; never by as much as the error that is claimed.
    assert fit.inharmonicity is not None
    assert fit.inharmonicity_se is not None
    assert abs(fit.inharmonicity - b) < max(0.01 * b, 0.7 * fit.inharmonicity_se)
    assert abs(_cents(fit.f1_hz, f0 * np.sqrt(1 + b))) < max(0.02, 0.7 * fit.f1_cents_se)
    assert fit.f1_hz == pytest.approx(fit.f0_hz * np.sqrt(1 + fit.inharmonicity), rel=1e-12)
    # A few partials: the usual scatter of three times 0.4 cents is mixed in.
    assert fit.residual_cents < 0.4


def test_the_first_partial_need_not_be_heard() -> None:
    n = np.arange(5, 25)
    fit = _fit(n, _series(n, 27.4, 3e-4), 21)
    assert _cents(fit.f1_hz, 27.4 * np.sqrt(1 + 3e-4)) == pytest.approx(0.0, abs=0.02)


def test_a_displaced_partial_does_not_move_the_fit() -> None:
    n = np.arange(1, 17)
    hz = _series(n, 261.6, 3.5e-4)
    rng = np.random.default_rng(2)
    hz = hz * 2.0 ** (rng.normal(0, 0.3, n.size) / 1200)
    clean = _fit(n, hz, 60)
    for displaced in (2, 7, 15):
        wrong = hz.copy()
        wrong[displaced] *= 2.0 ** (25.0 / 1200)
        fit = _fit(n, wrong, 60)
        assert fit.weight[displaced] == 0.0
        # By no more than leaving it out does: about one standard error.
        assert abs(_cents(fit.f1_hz, clean.f1_hz)) < 1.5 * clean.f1_cents_se
        assert fit.cents_from_fit[displaced] == pytest.approx(25.0, abs=1.5)


@pytest.mark.parametrize(("midi", "scatter_cents"), [(45, 1.0), (60, 0.4), (60, 2.0), (76, 0.5)])
def test_standard_errors_tell_how_far_off_the_fit_is(midi: int, scatter_cents: float) -> None:
    rng = np.random.default_rng(midi)
    b, f0 = typical_inharmonicity(float(midi)), 440.0 * 2.0 ** ((midi - 69) / 12)
    n = np.arange(1, 15 if midi < 70 else 8)
    pitch_z, b_z, found = [], [], []
    for _ in range(300):
        hz = _series(n, f0, b) * 2.0 ** (rng.normal(0, scatter_cents, n.size) / 1200)
        fit = _fit(n, hz, midi)
        assert fit.inharmonicity is not None
        assert fit.inharmonicity_se is not None
        pitch_z.append(_cents(fit.f1_hz, f0 * np.sqrt(1 + b)) / fit.f1_cents_se)
        b_z.append((fit.inharmonicity - b) / fit.inharmonicity_se)
        found.append(fit.residual_cents)
    # Meant to err on the side of caution (neighbouring partials move together on real strings),
    # so less than 1, but not by so much that the figure would say nothing.
    for z in (pitch_z, b_z):
        assert 0.4 < float(np.sqrt(np.mean(np.square(z)))) < 1.2
    assert float(np.median(found)) == pytest.approx(scatter_cents, rel=0.35)


def test_one_partial_gives_pitch_but_no_inharmonicity() -> None:
    fit = _fit(np.array([1]), np.array([3000.0]), 102)
    assert fit.inharmonicity is None
    assert fit.inharmonicity_se is None
    assert fit.f1_hz == pytest.approx(3000.0, rel=1e-9)
    assert 0.0 < fit.f1_cents_se < 3.0
    assert np.isfinite(fit.f0_hz_se)
    # The second partial alone: taken back through the expected stiffness.
    b = typical_inharmonicity(102.0)
    second = _fit(np.array([2]), np.array([6000.0]), 102)
    assert second.f1_hz == pytest.approx(3000.0 * np.sqrt((1 + b) / (1 + 4 * b)), rel=1e-6)
    assert np.isfinite(second.f1_cents_se)
    assert second.f1_cents_se > fit.f1_cents_se


def test_no_partial_is_no_fit() -> None:
    assert fit_series(_measured(np.zeros(0), np.zeros(0)), midi=60) is None


@given(factor=st.floats(0.98, 1.02))
def test_transposing_the_partials_transposes_the_fit(factor: float) -> None:
    n = np.arange(1, 13)
    rng = np.random.default_rng(4)
    # Above the lowest modes of the soundboard, which stand at frequencies of their own.
    hz = _series(n, 440.0, 6e-4) * 2.0 ** (rng.normal(0, 0.5, n.size) / 1200)
    plain, moved = _fit(n, hz, 69), _fit(n, factor * hz, 69)
    assert moved.f1_hz == pytest.approx(factor * plain.f1_hz, rel=1e-9)
    assert moved.inharmonicity == pytest.approx(plain.inharmonicity, rel=1e-6)


@pytest.mark.parametrize("midi", [21, 27, 33, 40, 48, 60, 72, 84, 96, 105])
def test_a_series_is_found_among_noise_and_strangers(midi: int, tones: ModuleType) -> None:
    rng = np.random.default_rng(midi)
    rate = 24000
    for _ in range(3):
        b = tones.young_b(midi) * float(np.exp(rng.uniform(-0.5, 0.5)))
        pitch = midi + rng.uniform(-0.3, 0.3)
        f1 = tones.equal_tempered_hz(pitch)
        x = tones.string_tone(
            f1_hz=f1,
            b=b,
            rate_hz=rate,
            length_s=max(0.6, min(2.0, 2.0 * 2.0 ** (-(midi - 72) / 18))),
            t60_s=11.0 * 2.0 ** (-max(midi - 30, 0) / 18),
            rng=rng,
        )
        t = np.arange(x.size) / rate
        x += 1e-3 * rng.standard_normal(x.size)  # 40 dB or so below each strong partial
        for hz in rng.uniform(60, 4000, 6):  # hum, a ventilator, what rings along
            x += 0.01 * np.cos(2 * np.pi * hz * t)
        guess = find_series(
            amplitude_spectrum(x, sample_rate_hz=rate), pitch=pitch + rng.uniform(-0.2, 0.2)
        )
        assert guess is not None
        predicted = tones.partials_hz(f1, b, int(guess.n.max()))[guess.n - 1]
        off = 1200 * np.log2(guess.hz / predicted)
        # Nine in ten of the partials named are that partial; a stranger may stand near one.
        assert np.mean(np.abs(off) < 3.0) >= 0.9 or np.sum(np.abs(off) > 3.0) <= 1
        assert guess.n.size >= 2
        assert 0.0 < guess.score <= 1.0


def test_silence_holds_no_series() -> None:
    assert find_series(amplitude_spectrum(np.zeros(RATE), sample_rate_hz=RATE), pitch=60.0) is None


def _in_band(x: np.ndarray, hz: float, *, stop_s: float = 2.4) -> PartialFrequencies:
    bands = extract_bands(
        transform_strike(x, sample_rate_hz=RATE), centres_hz=np.array([hz]), half_width_hz=45.0
    )
    return measure_partials(
        bands,
        n=np.array([1]),
        start_s=0.06,
        stop_s=stop_s,
        noise_density=np.array([1e-12]),
        search_hz=15.0,
    )


def test_a_beating_partial_has_the_frequency_of_the_stronger_string() -> None:
    # Two strings 0.5 Hz apart, 6 dB different (the proposal of the check values: within 0.1 Hz).
    t = np.arange(int(2.5 * RATE)) / RATE
    x = np.exp(-t / 2) * (np.cos(2 * np.pi * 440 * t) + 0.5 * np.cos(2 * np.pi * 440.5 * t))
    found = _in_band(x, 441.0)
    assert found.peak_hz[0] == pytest.approx(440.0, abs=0.1)
    # The mean over the unison lies between the strings, nearer to the stronger one.
    assert 440.0 < found.hz[0] < 440.3


def test_the_mean_of_a_unison_is_weighted_by_energy() -> None:
    t = np.arange(int(2.5 * RATE)) / RATE
    x = np.cos(2 * np.pi * 1000 * t) + np.cos(2 * np.pi * 1001.2 * t + 1.0)
    assert _in_band(x, 1000.0).hz[0] == pytest.approx(1000.6, abs=0.1)


@given(gain_db=st.floats(-60.0, 6.0))
def test_gain_moves_amplitude_and_no_frequency(gain_db: float) -> None:
    gain = 10.0 ** (gain_db / 20)
    t = np.arange(int(1.5 * RATE)) / RATE
    x = np.exp(-t) * np.cos(2 * np.pi * 700.3 * t)
    plain, louder = _in_band(x, 700.0, stop_s=1.4), _in_band(gain * x, 700.0, stop_s=1.4)
    # Down to where the noise density given (1e-12) begins to count.
    assert louder.hz[0] == pytest.approx(plain.hz[0], abs=1e-4)
    assert louder.peak_hz[0] == pytest.approx(plain.peak_hz[0], abs=1e-4)
    assert louder.amplitude[0] == pytest.approx(gain * plain.amplitude[0], rel=1e-6)


def test_the_input_is_not_changed() -> None:
    n = np.arange(1, 9)
    partials = _measured(n, _series(n, 220.0, 2e-4))
    kept = partials.hz.copy()
    fit_series(partials, midi=57)
    assert np.array_equal(partials.hz, kept)
    assert np.array_equal(partials.n, n)


@pytest.mark.parametrize("n", [1, 3, 12, 29])
def test_the_error_of_a_lone_partial_grows_with_its_number(n: int) -> None:
    # f1 = f_n / n * sqrt((1 + B) / (1 + n^2 B)) with B known to e^0.9 at C2 (36): the pitch is
    # uncertain by about 866 n^2 B 0.9 cents from that alone.
    b = typical_inharmonicity(36.0)
    fit = _fit(np.array([n]), np.array([65.4 * n * np.sqrt((1 + n**2 * b) / (1 + b))]), 36)
    assert fit.inharmonicity is None
    assert fit.f1_hz == pytest.approx(65.4, rel=1e-6)
    expected = np.hypot(0.5, 865.6 * (n**2 - 1) * b * 0.9 / (1 + b * n**2))
    assert fit.f1_cents_se == pytest.approx(expected, rel=0.6, abs=0.6)


def test_partials_that_fall_have_no_inharmonicity_to_report() -> None:
    # The strings of a bad unison: upper partials of a flat one, the lowest of a sharp one.
    n = np.array([1, 2, 3])
    hz = n * 3000.0 * 2.0 ** (np.array([12.0, 0.0, -5.0]) / 1200)
    fit = _fit(n, hz, 102)
    assert fit.inharmonicity is None or fit.inharmonicity > 0.0
