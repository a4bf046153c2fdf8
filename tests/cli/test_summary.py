"""The summary tells everything in lines that fit a terminal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from toneapp.cli.summary import WIDTH, run_summary
from toneapp.pitch import note_name
from toneapp.results import Evenness, Flag, Raised, RunResult, StrikeResult, UnexpectedSound

Make = Callable[..., RunResult]


def test_a_run_is_told(run_of_three: Make) -> None:
    text = run_summary(run_of_three(channels=2, channel_use="left", noise_dbfs=-70.04))
    for line in (
        "Run           run.flac",
        "Recording     12.0 s at 48000 Hz, 2 channels, measured: left",
        "Keys          3 keys of A0–C8 with 6 strikes, ascending",
        "Pitch         A4 at 439.60 Hz, −1.6 cents from 440 Hz",
        "Room          noise −70.0 dBFS (A-weighted)",
        "  - 3 strikes clipped",
        "  level         1.1 ± 0.3 dB",
        "  brightness    0.090 oct",
        "  tuning        not measured",
        "Raised notes: 2 of 3",
        "  C4   too dull             brightness −0.30 ± 0.06 octaves from the trend",
        "  C#4  too loud             level +4.9 ± 0.8 dB from the trend",
        "Not found     A3, D#4–F4",
        "Unexpected    C#4 at 1:28.1",
        "  - no damper heard: 2 strikes (D4)",
        "After ± stands twice the standard error: 19 of 20 ranges hold the true value.",
    ):
        assert line in text.splitlines()


def test_lines_fit_the_terminal(run_of_three: Make) -> None:
    run = run_of_three(
        problems=("a very long problem " * 20,),
        missing=tuple(range(21, 109, 2)),
        unexpected=tuple(UnexpectedSound(onset_s=9.0 * i, kind="noise") for i in range(12)),
    )
    strikes = tuple(replace(strike, flags=tuple(Flag)) for strike in run.strikes)
    notes = tuple(replace(note, raised=tuple(Raised)) for note in run.notes)
    text = run_summary(replace(run, strikes=strikes, notes=notes))
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    assert len(text.splitlines()) > 40


def test_many_unexpected_sounds_are_counted(run_of_three: Make) -> None:
    sounds = tuple(UnexpectedSound(onset_s=1.0 * i, kind="noise") for i in range(30))
    assert "30 sounds that fit no expected note" in run_summary(run_of_three(unexpected=sounds))


def test_nothing_found_is_said_and_nothing_claimed(run_of_three: Make) -> None:
    run = run_of_three(
        strikes=(), notes=(), evenness=Evenness(), missing=(), unexpected=(), problems=(),
        a4_measured_hz=None,
    )  # fmt: skip
    text = run_summary(run)
    assert "no strike was found that could be measured" in text
    assert "A4 not measured" in text
    assert "Unevenness" not in text
    assert "Raised" not in text


def test_an_even_run_says_how_many_were_judged(run_of_three: Make) -> None:
    run = run_of_three()
    even = replace(run, notes=tuple(replace(note, raised=()) for note in run.notes))
    assert "Raised notes: none; all of the 3 judged fit" in run_summary(even)


def test_notes_that_could_not_be_judged_are_not_called_even(run_of_three: Make) -> None:
    run = run_of_three(evenness=Evenness(flags=(Flag.TOO_FEW_NOTES,)))
    bare = tuple(replace(n, raised=(), level_residual_db=None, brightness_residual=None)
                 for n in run.notes)  # fmt: skip
    text = run_summary(replace(run, notes=bare))
    assert "Raised notes: none could be judged" in text
    assert "needs more notes for a trend over the keyboard" in text


@pytest.mark.parametrize(("count", "said"), [(1, "1 strike (C4)"), (6, "all strikes")])
def test_flags_say_where(run_of_three: Make, count: int, said: str) -> None:
    run = run_of_three()
    strikes = tuple(
        replace(strike, flags=(Flag.CLIPPED,) if index < count else ())
        for index, strike in enumerate(run.strikes)
    )
    assert f"at full scale: {said}" in run_summary(replace(run, strikes=strikes)).replace(
        "\n    ", " "
    )


def test_every_unevenness_has_its_uncertainty(run_of_three: Make) -> None:
    even = Evenness(
        level_db=1.1, level_db_se=0.15, brightness_oct=0.09, brightness_oct_se=0.01,
        tuning_cents=1.2, tuning_cents_se=0.16,
    )  # fmt: skip
    text = run_summary(run_of_three(evenness=even))
    for line in ("level         1.1 ± 0.3 dB", "brightness    0.09 ± 0.02 oct",
                 "tuning        1.2 ± 0.3 cents"):  # fmt: skip
        assert f"  {line}\n" in text


def test_long_lists_of_doubts_are_counted(run_of_three: Make) -> None:
    strikes = tuple(
        StrikeResult(
            midi=midi, note=note_name(midi), onset_s=float(midi), end_s=midi + 0.5,
            flags=(Flag.CUT_SHORT,) if midi % 3 == 0 else (),
        )
        for midi in range(30, 90)
    )  # fmt: skip
    text = run_summary(run_of_three(strikes=strikes))
    assert "20 of 60 strikes, from F#1 to D#6" in " ".join(text.split())
