"""The first pass: chunks, candidates and the noise of the room."""

from __future__ import annotations

import itertools
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.analysis.scan import ChunkScan, _of_sorted, merge_scans, plan_chunks, scan_chunk

RATE = 16000


def _scan_all(x: np.ndarray, chunks: list[tuple[float, float]]) -> list[ChunkScan]:
    scans = []
    for start, stop in chunks:
        low, high = max(0, int((start - 0.6) * RATE)), min(x.size, int((stop + 0.6) * RATE) + 1)
        scans.append(
            scan_chunk(
                x[low:high].astype(np.float32),
                sample_rate_hz=RATE,
                first_s=low / RATE,
                chunk=(start, stop if high < x.size else np.inf),
            )
        )
    return scans


@given(st.floats(0.001, 20000.0))
def test_chunks_cover_the_recording_once(duration_s: float) -> None:
    chunks = plan_chunks(duration_s)
    assert chunks[0][0] == 0.0
    assert chunks[-1][1] == pytest.approx(duration_s)
    assert all(a[1] == b[0] for a, b in itertools.pairwise(chunks))
    assert max(b - a for a, b in chunks) <= 60.0


def test_chunks_hear_what_the_whole_hears(tones: ModuleType) -> None:
    rng = np.random.default_rng(60)
    blows = tones.evenly_spaced(list(range(40, 80, 2)), gap_s=0.7, hold_s=0.5)
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng)
    end = x.size / RATE
    whole, *_ = merge_scans(_scan_all(x, [(0.0, end)]))
    # The second cut falls a millisecond before a blow.
    parts, *_ = merge_scans(_scan_all(x, [(0.0, 5.03), (5.03, blows[12].onset_s - 0.001),
                                          (blows[12].onset_s - 0.001, end)]))  # fmt: skip
    loud = [item for item in whole if item.rise_db > 60.0]
    again = [item for item in parts if item.rise_db > 60.0]
    assert [i.onset_s for i in again] == pytest.approx([i.onset_s for i in loud], abs=0.004)
    for one, other in zip(loud, again, strict=True):
        assert np.argmax(one.evidence.support) == np.argmax(other.evidence.support)


def test_the_noise_is_that_of_the_room(tones: ModuleType) -> None:
    rng = np.random.default_rng(61)
    blows = tones.evenly_spaced(list(range(40, 60)), gap_s=1.4, hold_s=0.6)
    sd = 10 ** (-60 / 20)
    x = tones.struck_run(blows, rate_hz=RATE, rng=rng, noise_dbfs=-60.0)
    _, noise, peak, clipped = merge_scans(_scan_all(x, plan_chunks(x.size / RATE)))
    # White noise of variance s^2 has 2 s^2 / rate per Hz; the notes rest for a third of the time.
    above = np.arange(3000.0, 7000.0, 50.0)
    assert np.median(noise.at(above)) == pytest.approx(2 * sd**2 / RATE, rel=0.25)
    assert 10 * np.log10(noise.power / sd**2) == pytest.approx(0.0, abs=3.0)
    assert peak == pytest.approx(float(np.abs(x).max()), rel=1e-6)
    assert clipped == 0


def test_the_level_of_white_noise_is_a_weighted() -> None:
    # White noise from 0 to 8 kHz weighted by A: the mean of the weighting's power over that band,
    # relative to a full-scale sine (mean square 1/2). Weighting after IEC 61672-1:2013, eq. E.1.
    rng = np.random.default_rng(62)
    sd = 0.01
    scans = _scan_all(sd * rng.standard_normal(30 * RATE), [(0.0, 30.0)])
    _, noise, _, _ = merge_scans(scans)
    f = np.linspace(5.0, 8000.0, 4000)
    a = (
        (12194.217**2 * f**4)
        / (
            (f**2 + 20.598997**2)
            * np.sqrt((f**2 + 107.65265**2) * (f**2 + 737.86223**2))
            * (f**2 + 12194.217**2)
        )
        * 10 ** (2.0 / 20)
    )
    expected = 10 * np.log10(2 * sd**2 * float(np.mean(a**2)))
    assert noise.a_weighted_dbfs() == pytest.approx(expected, abs=0.5)


def test_hum_stands_in_the_noise() -> None:
    rng = np.random.default_rng(63)
    t = np.arange(20 * RATE) / RATE
    x = 1e-4 * rng.standard_normal(t.size) + 0.003 * np.sin(2 * np.pi * 100.0 * t)
    _, noise, _, _ = merge_scans(_scan_all(x, [(0.0, 20.0)]))
    assert noise.at(np.array([100.0]))[0] > 100.0 * noise.at(np.array([300.0]))[0]


def test_full_scale_samples_are_counted_and_silence_holds_nothing() -> None:
    rng = np.random.default_rng(64)
    x = 0.1 * rng.standard_normal(RATE)
    x[100:120] = 1.0
    (scan,) = _scan_all(x, [(0.0, 1.0)])
    assert scan.clipped_samples == 20
    assert scan.peak == 1.0
    (silent,) = _scan_all(np.zeros(RATE), [(0.0, 1.0)])
    assert silent.candidates == ()
    (short,) = _scan_all(x[:200], [(0.0, 0.0125)])
    assert short.candidates == ()


@pytest.mark.parametrize("length_s", [2.0, 8.0])
def test_a_string_that_never_rests_is_no_noise(length_s: float) -> None:
    rate = 16000
    t = np.arange(int(length_s * rate)) / rate
    rng = np.random.default_rng(9)
    string = 0.1 * np.exp(-1.5 * t) * np.cos(2 * np.pi * 700 * t)
    sound = (1e-4 * rng.standard_normal(t.size) + string).astype(np.float32)
    scan = scan_chunk(sound, sample_rate_hz=rate, first_s=0.0, chunk=(0.0, length_s))
    # White noise of 1e-4 has a density of 2e-8 / rate = 1.25e-12 per Hz.
    assert 0.3e-12 < float(scan.noise.at(np.array([700.0]))[0]) < 5e-12


def test_hum_all_through_stays_in_the_noise() -> None:
    rate = 16000
    t = np.arange(8 * rate) / rate
    hum = 0.01 * np.cos(2 * np.pi * 700 * t)
    sound = (1e-4 * np.random.default_rng(10).standard_normal(t.size) + hum).astype(np.float32)
    scan = scan_chunk(sound, sample_rate_hz=rate, first_s=0.0, chunk=(0.0, 8.0))
    assert float(scan.noise.at(np.array([700.0]))[0]) > 1e-9


@pytest.mark.parametrize("rows", [1, 2, 7, 200])
@pytest.mark.parametrize("quantile", [0.15, 0.5])
def test_quantiles_of_sorted_columns(rows: int, quantile: float) -> None:
    power = np.random.default_rng(rows).exponential(size=(rows, 5)).astype(np.float32)
    expected = np.quantile(power, quantile, axis=0)
    assert _of_sorted(np.sort(power, axis=0), quantile) == pytest.approx(expected, rel=1e-5)
