"""A key is said in words, with the reason for what is missing."""

from __future__ import annotations

from dataclasses import replace

from toneapp.desktop.note_view import (
    echo_text,
    echo_texts,
    nearest_strike,
    note_heading,
    partial_texts,
    strike_table,
)
from toneapp.results import (
    Cause,
    EchoCandidate,
    EchoString,
    Flag,
    NoteResult,
    PartialResult,
    Raised,
    StrikeResult,
)

STRIKE = StrikeResult(
    midi=60, note="C4", onset_s=71.25, end_s=74.0, release_s=73.0, cents=-4.04, cents_se=0.2,
    B=3.1e-4, B_se=2e-6, level_db=-31.0, loudness_lkfs=-30.0, prompt_t60_s=6.1,
    ring_level_db=-52.0, ring_level_is_limit=True,
    flags=(Flag.SINGLE_STAGE, Flag.NOISE_HIDES_RING),
)  # fmt: skip
NOTE = NoteResult(midi=60, note="C4", strikes=2, cents=-4.0, cents_se=0.3, level_db=-30.0)


def cells(name: str) -> tuple[str, ...]:
    table = strike_table((STRIKE, replace(STRIKE, onset_s=80.0, flags=(), cents=None)), NOTE)
    row = next(row for row in table.rows if row.name.startswith(name))
    return tuple(cell.tip or cell.text for cell in row.cells)


def test_strikes_stand_side_by_side_behind_the_note() -> None:
    table = strike_table((STRIKE,), NOTE)
    assert table.heads == ("Note", "Strike 1, at 71.2 s")
    assert {len(row.cells) for row in table.rows} == {2}
    assert cells("Pitch") == (
        "\N{MINUS SIGN}4.0 ± 0.6", "\N{MINUS SIGN}4.0 ± 0.4", "not measured",
    )  # fmt: skip


def test_what_is_missing_has_its_reason() -> None:
    assert cells("Aftersound")[1] == (
        "not measured: decays in one stage, without an aftersound of its own"
    )
    assert cells("Ring-on")[1] == "less than \N{MINUS SIGN}52.0"
    assert cells("B, ")[1] == "3.10 ± 0.04"


def test_a_raised_note_says_by_how_much() -> None:
    raised = replace(NOTE, raised=(Raised.DULL,), brightness_residual=-0.4, brightness_se=0.05)
    assert note_heading(raised, 60) == (
        "too dull: brightness \N{MINUS SIGN}0.40 ± 0.10 octaves from the trend"
    )
    assert "not struck" in note_heading(None, 61)
    assert note_heading(replace(NOTE, level_residual_db=0.1), 60).startswith("fits")
    assert note_heading(NOTE, 60) == "not judged"


def test_a_partial_without_decay_shows_a_dash() -> None:
    texts = partial_texts(
        PartialResult(n=2, hz=523.4, level_db=-40.0, hz_se=0.02, cents_from_fit=0.4)
    )
    assert texts[:4] == ("2", "523.40 ± 0.04", "\N{MINUS SIGN}40.0", "+0.4")
    assert texts[4:] == ("\N{EN DASH}",) * 3


def test_echo_strings_are_named_loudest_first() -> None:
    loud = EchoString(
        midi=93, partial=1, hz=1771.2, level_db=-40.0, cause=Cause.UNDAMPED, t60_s=1.9,
        alternatives=(EchoCandidate(midi=81, partial=2, cents_off=4.0),),
    )  # fmt: skip
    soft = EchoString(midi=None, partial=None, hz=2100.0, level_db=-60.0, cause=Cause.NO_KEY)
    first, second = echo_texts(replace(STRIKE, ringing=(soft, loud)))
    assert first == (
        "A6 at 1771.20 Hz, \N{MINUS SIGN}40.0 dB against the blow, T60 1.9 s, a string without "
        "damper answers, could also be A5 \N{MULTIPLICATION SIGN}2"
    )
    assert second.startswith("no key at")
    assert echo_text(replace(loud, partial=3)) == "A6 \N{MULTIPLICATION SIGN}3"


def test_no_echo_string_and_no_release_are_told_apart() -> None:
    assert echo_texts(STRIKE) == ("No echo string was heard: the room noise hides what rings on",)
    (text,) = echo_texts(replace(STRIKE, release_s=None))
    assert text == "After the release: not measured, no damper heard"


def test_the_strike_most_alike_in_loudness_is_heard_beside() -> None:
    others = tuple(replace(STRIKE, loudness_lkfs=loudness) for loudness in (-40.0, -31.0, None))
    assert nearest_strike(STRIKE, others) is others[1]
    assert nearest_strike(STRIKE, ()) is None
    assert nearest_strike(replace(STRIKE, loudness_lkfs=None), others) is others[0]
