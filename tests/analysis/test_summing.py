"""Measured strikes joined into the result of a run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from toneapp.analysis.scan import NoiseSpectrum
from toneapp.analysis.summing import Heard, join_run
from toneapp.keyboard import Compass, KeyboardLayout
from toneapp.pitch import midi_to_hz, note_name
from toneapp.results import Flag, RunResult, StrikeResult

NOISE = NoiseSpectrum(density=np.full(100, 1e-12), bin_hz=100.0)


def _strike(midi: int, *, cents: float = 0.0, flags: tuple[Flag, ...] = ()) -> StrikeResult:
    return StrikeResult(
        midi=midi,
        note=note_name(midi),
        onset_s=float(midi),
        end_s=midi + 1.0,
        f1_hz=midi_to_hz(midi) * 2 ** (cents / 1200),
        cents_se=0.1,
        flags=flags,
    )


def _join(
    strikes: list[StrikeResult], *, detune: float = 0.0, a4_hz: float = 440.0,
    compass: str = "A0-C8", other_detune: float | None = None,
) -> RunResult:  # fmt: skip
    return join_run(
        strikes,
        Heard(
            sample_rate_hz=48000,
            duration_s=100.0,
            channels=1,
            channel_use="mono",
            order="ascending",
            detune_semitones=detune,
            other_detune_semitones=other_detune,
            unexpected=(),
            problems=("said before",),
            noise=NOISE,
            peak=0.5,
            clipped_samples=0,
            source="run.wav",
        ),
        layout=KeyboardLayout(compass=Compass.parse(compass)),
        a4_hz=a4_hz,
        calibration_db=None,
    )


def test_a4_is_read_from_the_notes_about_it() -> None:
    # Each note 3 cents sharp, and a stretch of 0.5 cent a key that is level at A4.
    strikes = [_strike(m, cents=3.0 + 0.5 * (m - 69)) for m in range(50, 90)]
    run = _join(strikes)
    assert run.a4_measured_hz == pytest.approx(440.0 * 2 ** (3.0 / 1200), rel=1e-6)
    # One note a quarter tone out does not move it by a tenth of a cent.
    strikes[17] = _strike(67, cents=50.0)
    moved = _join(strikes).a4_measured_hz
    assert moved is not None
    assert abs(1200 * np.log2(moved / 440.0) - 3.0) < 0.1


def test_a4_is_not_read_from_far_away() -> None:
    assert _join([_strike(40), _strike(41)]).a4_measured_hz is None


def test_cents_are_against_the_reference() -> None:
    run = _join([_strike(69)], a4_hz=442.0)
    # 1200 log2(440/442), worked out.
    assert run.strikes[0].cents == pytest.approx(-7.8514, abs=1e-4)
    assert run.a4_reference_hz == 442.0


def test_keys_not_played_are_missing() -> None:
    run = _join([_strike(60), _strike(62), _strike(62)], compass="C4-E4")
    assert run.missing == (61, 63, 64)


def test_a_strike_without_pitch_stays_without() -> None:
    bare = StrikeResult(midi=60, note="C4", onset_s=0.0, end_s=1.0, flags=(Flag.NO_PITCH,))
    run = _join([bare])
    assert run.strikes[0].cents is None
    assert run.a4_measured_hz is None


def test_doubts_are_said_in_one_sentence_each() -> None:
    strikes = [_strike(m) for m in range(60, 70)]
    assert _join(strikes).problems == ("said before",)
    strikes = [_strike(m, cents=-60.0) for m in range(60, 70)]
    strikes[0] = _strike(60, cents=-60.0, flags=(Flag.CLIPPED,))
    strikes[1] = _strike(61, cents=-60.0, flags=(Flag.NOTE_UNCERTAIN,))
    strikes[2:6] = [_strike(m, cents=-60.0, flags=(Flag.QUIET,)) for m in range(62, 66)]
    problems = _join(strikes, detune=-0.6).problems
    assert any(
        p.startswith("1 of 10 strikes clipped") and "those notes again" in p for p in problems
    )
    assert any("C#4" in p and "label file" in p for p in problems)
    assert any("4 of 10 strikes" in p for p in problems)
    assert any("-60 cents" in p for p in problems)
    assert len(problems) == 5
    assert all("\n" not in p for p in problems)
    strikes[1] = _strike(61, flags=(Flag.CLIPPED,))
    assert any(p.startswith("2 of 10 strikes clipped") for p in _join(strikes).problems)


@pytest.mark.parametrize(
    ("detune", "other", "words"),
    [(-0.4, 0.6, ("too high", "+60 cents")), (0.4, -0.6, ("too low", "-60 cents"))],
)
def test_an_open_semitone_is_said(detune: float, other: float, words: tuple[str, str]) -> None:
    strikes = [_strike(m, cents=100.0 * detune) for m in range(60, 70)]
    assert not any("semitone" in p for p in _join(strikes, detune=detune).problems)
    problems = _join(strikes, detune=detune, other_detune=other).problems
    assert any("semitone" in p and all(word in p for word in words) for p in problems)


def test_a_run_clipped_all_over_says_what_that_does_to_the_rest() -> None:
    flags = (Flag.CLIPPED,)
    (said, *_) = [
        p
        for p in _join([_strike(m, flags=flags) for m in range(60, 66)]).problems
        if "clipped" in p
    ]
    assert said.startswith("6 of 6 strikes clipped")
    for word in ("level", "brightness", "decay", "cannot be trusted", "input down", "again"):
        assert word in said


def test_what_the_place_adds_is_worked_out_for_the_run() -> None:
    # A response that all keys share, of 4 dB and changing within a dozen hertz.
    strikes = []
    for midi in range(40, 90):
        f0_hz = midi_to_hz(midi)
        hz = f0_hz * np.arange(1, 16)
        level_db = -8.0 * np.log2(hz / f0_hz) + 4.0 * np.sin(2.0 * np.pi * hz / 37.0)
        strike = replace(_strike(midi), f0_hz=f0_hz, B=0.0, level_db=0.0, brightness=1.0)
        strikes.append(replace(strike, attack_db=tuple(level_db.tolist())))
    run = _join(strikes)
    assert all(strike.place_db is not None for strike in run.strikes)
    assert np.std([strike.place_oct for strike in run.strikes]) > 0.02
    assert all(note.brightness_place_oct is not None for note in run.notes)
