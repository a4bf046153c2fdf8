"""Motions of the simulated strings against published formulas."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from toneapp.keyboard import FULL_COMPASS
from toneapp.simulate import PianoSpec, make_piano
from toneapp.simulate.hammer import contact_time_s, pulse_spectrum
from toneapp.simulate.strings import PartialTable, eigenmodes, partial_table


@pytest.fixture(scope="module")
def piano() -> PianoSpec:
    """One instrument for all tests here."""
    return make_piano(np.random.default_rng(11))


def _two_strings(eps: float, eta: float) -> PartialTable:
    """One partial of two strings eps rad/s to either side of 1000 rad/s, lossless but bridged."""
    return PartialTable(
        n=np.array([1.0]),
        hz=np.array([1000.0 / (2.0 * np.pi)]),
        omega=np.array([[1000.0 - eps, 1000.0 + eps]]),
        sigma=np.array([0.0]),
        eta=np.array([eta + 0j]),
        u=np.ones(2),
        excitation=np.ones(2),
        damper=np.array([0.0]),
    )


@pytest.mark.parametrize(
    ("eps", "rates_per_s", "beat_hz"),
    [
        # Weinreich, J. Acoust. Soc. Am. 62, 1474 (1977): rates -eta +- sqrt(eta^2 - eps^2).
        (1e-7, (0.0, 2.0), 0.0),
        (0.6, (0.2, 1.8), 0.0),
        (1.25, (1.0, 1.0), 0.2387),
    ],
)
def test_two_coupled_strings_decay_and_beat_as_weinreich_has_it(
    eps: float, rates_per_s: tuple[float, float], beat_hz: float
) -> None:
    values = eigenmodes(_two_strings(eps, 1.0)).rate[0]
    assert sorted(-values.real) == pytest.approx(list(rates_per_s), abs=1e-4)
    apart = abs(values[0].imag - values[1].imag) / (2.0 * np.pi)
    assert apart == pytest.approx(beat_hz, abs=1e-4)


def test_state_is_the_sum_of_its_motions() -> None:
    modes = eigenmodes(_two_strings(0.6, 1.0))
    identity = np.einsum("pij,pjk->pik", modes.right, modes.left)[0]
    assert identity == pytest.approx(np.eye(2), abs=1e-9)


def test_partials_follow_fletchers_series(piano: PianoSpec) -> None:
    # Fletcher, J. Acoust. Soc. Am. 36, 203 (1964), with the worked string of C4:
    # f0 261.626 Hz, B 3.88465e-4 gives f1 261.6768, f8 2118.8662, f20 5624.3770 Hz.
    note = dataclasses.replace(
        piano.note(60),
        f0_hz=261.626,
        B=3.88465e-4,
        partial_deviation_cents=(0.0,) * 20,
        partial_rate_scatter=(1.0,) * 20,
    )
    hz = partial_table(piano, note).hz
    assert hz[[0, 7, 19]] == pytest.approx([261.6768, 2118.8662, 5624.3770], abs=1e-3)


def test_note_decays_at_the_rates_it_was_given(piano: PianoSpec) -> None:
    # Strings in exact unison: one motion at the prompt rate, the others at the after rate.
    note = dataclasses.replace(
        piano.note(60),
        string_cents=(-1e-6, 0.0, 1e-6),
        horizontal_cents=0.0,
        partial_rate_scatter=(1.0,) * len(piano.note(60).partial_rate_scatter),
    )
    table = partial_table(piano, note)
    t60 = np.sort(math.log(1000.0) / -eigenmodes(table).rate[0].real)
    losses_s = math.log(1000.0) / table.sigma[0]  # what the string alone loses
    assert losses_s == pytest.approx(note.after_t60_s, rel=0.01)
    assert t60[0] == pytest.approx(note.prompt_t60_s, rel=0.01)
    assert t60[1:] == pytest.approx([losses_s] * 3, rel=1e-3)


def test_damper_shortens_every_motion(piano: PianoSpec) -> None:
    table = partial_table(piano, piano.note(45))
    free = -eigenmodes(table).rate.real.max(axis=1)
    damped = -eigenmodes(table, damper_share=1.0).rate.real.max(axis=1)
    assert np.all(damped > 3.0 * free)


def test_b_of_middle_c_is_within_factor_two_of_young() -> None:
    # Young, J. Acoust. Soc. Am. 24 (1952): 0.3 cent per n^2 at middle C, B 3.47e-4, doubling
    # every 8 semitones above.
    for start in range(8):
        drawn = make_piano(np.random.default_rng(start))
        assert 1.73e-4 < drawn.note(60).B < 6.9e-4
        # 48 semitones are six doublings; a factor of two either way.
        assert math.log2(drawn.note(108).B / drawn.note(60).B) == pytest.approx(6.0, abs=1.0)


def test_lowest_b_lies_in_the_second_or_third_octave() -> None:
    for kind in ("grand", "upright"):
        drawn = make_piano(np.random.default_rng(5), kind=kind)
        smooth = np.convolve([math.log(n.B) for n in drawn.notes], np.ones(5) / 5, mode="valid")
        assert 33 <= 23 + int(np.argmin(smooth)) <= 57


@pytest.mark.parametrize(("felt_exponent", "factor"), [(2.5, 0.812), (3.0, 0.794)])
def test_contact_shortens_with_force_as_hall_and_askenfelt_have_it(
    felt_exponent: float, factor: float
) -> None:
    # Hall & Askenfelt, J. Acoust. Soc. Am. 83, 1627 (1988): tau ~ Fmax**((1 - p) / (2 p)).
    # Energy m v^2 / 2 = K x^(p+1) / (p+1) makes Fmax ~ v**(2 p / (p + 1)), so a doubled force
    # needs the speed times 2**((p + 1) / (2 p)).
    faster = 2.0 ** ((felt_exponent + 1.0) / (2.0 * felt_exponent))
    times = [
        contact_time_s(v, reference_s=2e-3, felt_exponent=felt_exponent)
        for v in (2.0, 2.0 * faster)
    ]
    assert times[1] / times[0] == pytest.approx(factor, abs=5e-4)


def test_shorter_contact_has_more_of_the_high_partials() -> None:
    hz = np.array([200.0, 3000.0])
    long = pulse_spectrum(hz, contact_s=2e-3, nominal_contact_s=2e-3)
    short = pulse_spectrum(hz, contact_s=1e-3, nominal_contact_s=2e-3)
    assert short[1] / short[0] > 3.0 * long[1] / long[0]


def test_hammer_without_speed_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        contact_time_s(0.0, reference_s=2e-3, felt_exponent=2.5)


def test_pianos_differ_and_are_reproducible() -> None:
    one = make_piano(np.random.default_rng(1))
    assert one == make_piano(np.random.default_rng(1))
    assert one != make_piano(np.random.default_rng(2))


def test_stretch_looks_like_railsbacks_curve() -> None:
    # Railsback, J. Acoust. Soc. Am. 9, 274 (1938): about -30 at A0, 0 in the middle, +30 at C8;
    # plausible within some 20 cents, since it depends on the strings.
    for kind in ("grand", "upright"):
        drawn = make_piano(np.random.default_rng(3), kind=kind)
        cents = {
            n.midi: 1200.0 * math.log2(n.f1_hz / (440.0 * 2 ** ((n.midi - 69) / 12)))
            for n in drawn.notes
        }
        assert -50 < cents[21] < -10
        assert abs(cents[69]) < 5
        assert 15 < cents[108] < 50


def test_treble_octaves_are_tuned_on_the_partial_they_share() -> None:
    # From the octave's own definition: f2 of the lower note meets f1 of the upper one.
    drawn = make_piano(np.random.default_rng(3), tuning_scatter_cents=0.0)
    for midi in range(82, 97):
        low, high = drawn.note(midi), drawn.note(midi + 12)
        second_hz = 2.0 * low.f0_hz * math.sqrt(1.0 + 4.0 * low.B)
        # The excess is spread evenly over twelve steps while it grows, and B scatters.
        assert abs(1200.0 * math.log2(high.f1_hz / second_hz)) < 5.0


def test_compass_and_breaks_are_kept() -> None:
    drawn = make_piano(np.random.default_rng(4), last_damper_midi=88, first_plain_midi=45)
    assert len(drawn.notes) == len(FULL_COMPASS)
    assert [n.midi for n in drawn.notes if not n.has_damper] == list(range(89, 109))
    assert drawn.layout.first_plain_midi == 45
    with pytest.raises(ValueError, match="no key"):
        drawn.note(20)
