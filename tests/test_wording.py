"""Numbers and findings are said with the digits that they deserve."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toneapp.results import Cause, Flag, NoteResult, Raised
from toneapp.wording import (
    NOT_MEASURED,
    cause_text,
    decimals_for,
    duration_text,
    flag_text,
    note_list_text,
    plain_text,
    quantity_text,
    raised_reason,
    raised_text,
)


@pytest.mark.parametrize(
    ("value", "se", "text"),
    [
        (12.345, 0.5, "12.3 ± 1.0 dB"),
        (12.345, 0.05, "12.35 ± 0.10 dB"),  # two digits, as the first is 1
        (12.345, 0.15, "12.3 ± 0.3 dB"),
        (12.345, 2.0, "12 ± 4 dB"),
        (1234.5, 40.0, "1234 ± 80 dB"),  # half to even
        (12.345, 0.0, "12.345 ± 0.000 dB"),
        (12.345, 1e-6, "12.345 ± less than 0.001 dB"),
        (12.345, None, "12.345 dB"),
        (-0.0001, None, "0.000 dB"),  # no minus before zero
        (-3.0, 0.25, "−3.0 ± 0.5 dB"),
        (None, 0.3, NOT_MEASURED),
    ],
)
def test_uncertainty_decides_the_digits(value: float | None, se: float | None, text: str) -> None:
    assert quantity_text(value, "dB", se=se, decimals=3) == text


def test_differences_bear_their_sign() -> None:
    assert quantity_text(0.5, "oct", is_signed=True) == "+0.5 oct"
    assert quantity_text(-0.5, "oct", is_signed=True) == "−0.5 oct"
    assert quantity_text(0.04, "oct", is_signed=True) == "0.0 oct"


@given(st.floats(1e-8, 1e8))
def test_an_uncertainty_shows_one_or_two_digits(uncertainty: float) -> None:
    decimals = decimals_for(uncertainty)
    shown = round(uncertainty * 10.0**decimals)
    if 0 < decimals < 9:  # 10 when 9.5 and more is rounded up, or with its second digit, to 20
        assert 2 <= shown <= 20
    assert abs(shown - uncertainty * 10.0**decimals) <= 0.5


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [
        (0.0, "0.0 s"),
        (59.94, "59.9 s"),
        (59.96, "1 min 0 s"),
        (119.6, "2 min 0 s"),
        (3599.7, "1 h 0 min"),
        (7265.0, "2 h 1 min"),
    ],
)
def test_durations(duration_s: float, text: str) -> None:
    assert duration_text(duration_s) == text


@pytest.mark.parametrize(
    ("midis", "text"),
    [
        ([], ""),
        ([60], "C4"),
        ([60, 61], "C4, C#4"),
        ([62, 60, 61, 61], "C4–D4"),
        ([108, 21, 22, 23], "A0–B0, C8"),
    ],
)
def test_note_lists(midis: list[int], text: str) -> None:
    assert note_list_text(midis) == text


def test_every_word_of_the_results_can_be_said() -> None:
    said = [flag_text(flag) for flag in Flag]
    said += [raised_text(way) for way in Raised]
    said += [cause_text(cause) for cause in Cause]
    assert len(set(said)) == len(said)
    assert all(text and "_" not in text for text in said)


NOTE = NoteResult(
    midi=60,
    note="C4",
    strikes=3,
    level_residual_db=4.26,
    level_se=0.4,
    brightness_residual=-0.312,
    brightness_se=0.03,
    prompt_t60_residual=math.log(0.5),
    prompt_t60_se=0.05,
)


@pytest.mark.parametrize(
    ("way", "reason"),
    [
        (Raised.LOUD, "level +4.3 ± 0.8 dB from the trend"),
        (Raised.DULL, "brightness −0.31 ± 0.06 octaves from the trend"),
        # The error of a ratio is the ratio times that of its logarithm: 2 x 0.5 x 0.05.
        (Raised.SHORT, "decay time −50 ± 5 % from the trend"),
    ],
)
def test_a_raised_note_says_its_size(way: Raised, reason: str) -> None:
    assert raised_reason(NOTE, way) == reason


def test_a_raised_note_without_figures_says_so() -> None:
    bare = NoteResult(midi=60, note="C4", strikes=1)
    for way in Raised:
        assert NOT_MEASURED in raised_reason(bare, way)


def test_plain_text_is_ascii() -> None:
    assert plain_text("−0.3 ± 0.1 dB, C4–D4, 2 ×") == "-0.3 +/- 0.1 dB, C4-D4, 2 x"
