"""Damping and ringing over a whole run: which dampers leak, and which strings are heard?

One strike alone cannot say whether a slow decay after the release is a leaking damper, the usual
damper of a long string, or the room. The run can: the room is common to all notes, the usual
damper to the neighbours, and a string that leaks after its own blow is the first suspect when it
is heard after others'.

Functions: `judge_ringing`.
"""

from __future__ import annotations

from collections.abc import Sequence

from toneapp.analysis.ringon_evidence import LeakEvidence
from toneapp.analysis.ringon_leaks import leaky_by_own_strikes, rank_suspects
from toneapp.analysis.ringon_naming import name_ringing
from toneapp.analysis.ringon_run import read_run, with_leaking_strings
from toneapp.analysis.ringon_sums import sum_up_strings, treble_echo
from toneapp.analysis.strike import MeasuredStrike
from toneapp.keyboard import KeyboardLayout
from toneapp.results import Flag, RingOn, StrikeResult

__all__ = ["judge_ringing"]


def judge_ringing(
    measured: Sequence[MeasuredStrike], *, layout: KeyboardLayout
) -> tuple[list[StrikeResult], RingOn | None]:
    """Name what rings after each release, and sum it up over the run.

    Parameters
    ----------
    measured : sequence of MeasuredStrike
        Strikes of the run with the lines after their releases.
    layout : KeyboardLayout
        Compass and last damper, if known.

    Returns
    -------
    strikes : list of StrikeResult
        The strikes with `ringing` filled.
    ring_on : RingOn or None
        ``None`` when no strike of the run shows a release.
    """
    if not any(item.hears_release for item in measured):
        return [item.result for item in measured], None
    run = read_run(measured, layout=layout)
    leaky = leaky_by_own_strikes(run)
    doubts: dict[int, float] = {}
    run = with_leaking_strings(run, leaky)
    if run.strings is not None:
        evidence = LeakEvidence(run, run.strings)
        leaky = evidence.find(leaky)
        doubts = evidence.doubts(leaky)
        run = with_leaking_strings(run, leaky)
    named = name_ringing(run, leaky)
    heard = [item.hears_release for item in measured]
    echo_db, echo_se = treble_echo(named, heard, last_damper=run.last_damper)
    return named, RingOn(
        last_damper_midi=run.last_damper,
        last_damper_is_given=run.is_given,
        room_t60_s=run.room_t60_s,
        suspects=rank_suspects(run, named, leaky, doubts=doubts),
        echo_strings=sum_up_strings(named),
        treble_echo_db=echo_db,
        treble_echo_db_se=echo_se,
        strikes_heard=sum(heard),
        flags=() if run.strings is not None else (Flag.TOO_FEW_NOTES,),
    )
