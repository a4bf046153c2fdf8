"""Invented ring-on runs: E2 leaks and is heard after many keys, G6 answers some; or neither."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from invented import invent_run

from toneapp.keyboard import KeyboardLayout
from toneapp.pitch import midi_to_hz, note_name
from toneapp.results import (
    Cause,
    EchoString,
    EchoSummary,
    RingOn,
    RunResult,
    StrikeResult,
    SuspectDamper,
)

LEAK, FREE = 40, 91
LAST_DAMPER = 88
HEARD_FROM = tuple(range(45, 75, 3))
ANSWERS = (60, 67, 72, 79, 84)


class Gives:
    """Stands in for the measuring core: gives one run as it is."""

    def __init__(self, run: RunResult) -> None:
        self.run = run

    def __call__(
        self, _path: Path, *, progress: Callable[[float], None], **_how: object
    ) -> RunResult:
        progress(1.0)
        return self.run


def echo(midi: int, level_db: float, cause: Cause) -> EchoString:
    return EchoString(
        midi=midi, partial=1, hz=float(midi_to_hz(midi)), level_db=level_db, cause=cause, t60_s=1.8
    )


def _rings(strike: StrikeResult, *, is_leaky: bool) -> StrikeResult:
    echoes = []
    if is_leaky and strike.midi == LEAK:
        echoes.append(echo(LEAK, -8.0, Cause.OWN_DAMPER))
    if is_leaky and strike.midi in HEARD_FROM:
        echoes.append(echo(LEAK, -24.0, Cause.OTHER_DAMPER))
    if strike.midi in ANSWERS:
        echoes.append(echo(FREE, -36.0, Cause.UNDAMPED))
    is_damped = strike.midi <= LAST_DAMPER
    return replace(
        strike,
        ringing=tuple(echoes),
        release_s=strike.end_s - 1.0 if is_damped else None,
        noise_dbfs=-95.0,
        peak_dbfs=-12.0,
    )


def ringing_run(key: int, *, is_leaky: bool) -> RunResult:
    """A whole run, one blow a key."""
    run = invent_run(
        np.random.default_rng(key),
        layout=KeyboardLayout(last_damper_midi=LAST_DAMPER),
        midis=range(21, 109),
        strikes=1,
    )
    strikes = tuple(_rings(strike, is_leaky=is_leaky) for strike in run.strikes)
    suspects, echoes = [], []
    if is_leaky:
        suspects.append(
            SuspectDamper(
                midi=LEAK, note=note_name(LEAK), suspicion=4.2, damped_t60_s=2.1, usual_t60_s=0.4,
                ring_level_db=-9.0, heard_from=HEARD_FROM,
            )
        )  # fmt: skip
        echoes.append(
            EchoSummary(
                midi=LEAK, note=note_name(LEAK), cause=Cause.OTHER_DAMPER, from_keys=HEARD_FROM,
                level_db=-24.0, loudest_db=-24.0, t60_s=1.8,
            )
        )  # fmt: skip
    echoes.append(
        EchoSummary(
            midi=FREE, note=note_name(FREE), cause=Cause.UNDAMPED, from_keys=ANSWERS,
            level_db=-36.0, loudest_db=-36.0, t60_s=1.8,
        )
    )  # fmt: skip
    return replace(
        run,
        strikes=strikes,
        ring_on=RingOn(
            last_damper_midi=LAST_DAMPER, last_damper_is_given=True, room_t60_s=0.42,
            suspects=tuple(suspects), echo_strings=tuple(echoes), treble_echo_db=-47.0,
            treble_echo_db_se=2.0, strikes_heard=68,
        ),
    )  # fmt: skip
