"""A run from blow to blow: what is judged, what is asked for next.

The sounds are of the simulated piano, with everything about them known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from toneapp.audio.capture import (
    THREE_TOUCHES,
    Command,
    Conductor,
    GainMoves,
    Instrument,
    KeyPlan,
    NoiseHeard,
    Reason,
    RoomChecked,
    RoomWord,
    RunKind,
    RunPlan,
    State,
    StateChanged,
    StrikeHeard,
    Touch,
)
from toneapp.keyboard import Compass
from toneapp.simulate import Disturbance, Room
from toneapp.simulate.plan import repetition_plan

HOLD_S = 1.0
KEYS = (48, 52, 55, 60)
PLAN = RunPlan(notes=KEYS, hold_s=HOLD_S)


def _line(keys, *, start_s=1.2, every_s=2.0, hold_s=1.2):
    """Blows one after the other."""
    return [(midi, start_s + i * every_s, hold_s) for i, midi in enumerate(keys)]


def _said(blows) -> list[tuple[int, Reason]]:
    return [(blow.midi, blow.reason) for blow in blows]


def test_a_clean_run_is_good_from_end_to_end(play, lead):
    keys = (24, 36, 48, 60, 72, 84, 96, 108)
    blows = [(m, 1.2 + 2.3 * i, 1.3) for i, m in enumerate(keys)]
    sound = play(blows)
    led = lead(sound, RunPlan(notes=keys, hold_s=HOLD_S))
    assert _said(led.judged) == [(midi, Reason.GOOD) for midi in keys]
    assert led.conductor.state is State.DONE
    for blow, truth in zip(led.judged, sound.truth.strikes, strict=True):
        assert blow.onset_s == pytest.approx(truth.onset_s, abs=0.005)
        if truth.release_s is not None and blow.midi < 84:
            assert blow.release_s == pytest.approx(truth.release_s, abs=0.06)
            assert blow.hold_s == pytest.approx(truth.release_s - truth.onset_s, abs=0.06)
        cents = 1200 * np.log2(truth.f1_hz / (440 * 2 ** ((blow.midi - 69) / 12)))
        assert blow.cents == pytest.approx(cents, abs=2.0)
        assert blow.is_counted


def test_what_is_played_when_all_is_there_is_let_be(play, lead):
    led = lead(play(_line((48, 52, 55))), replace(PLAN, notes=(48,)))
    assert _said(led.judged) == [(48, Reason.GOOD)]
    assert led.conductor.state is State.DONE


def test_the_states_of_a_blow_come_in_their_order(play, lead):
    led = lead(play(_line(KEYS[:1])), RunPlan(notes=KEYS[:1], hold_s=HOLD_S), checks_room=False)
    states = [event.state for event in led.events if isinstance(event, StateChanged)]
    assert states == [State.HELD, State.ENOUGH, State.RELEASED, State.DONE]
    heard = next(event for event in led.events if isinstance(event, StrikeHeard))
    assert heard.at_s == pytest.approx(1.2, abs=0.03)


def test_the_size_of_the_blocks_changes_nothing(play, lead):
    sound = play(_line(KEYS[:2]))
    said = [
        [
            (blow.midi, blow.reasons, round(blow.onset_s, 6), round(blow.level_db, 6))
            for blow in lead(sound, replace(PLAN, notes=KEYS[:2]), block=block).judged
        ]
        for block in (100, 512, 4096)
    ]
    assert said[0] == said[1] == said[2]


def test_a_wrong_key_is_named_and_the_right_one_asked_for_again(play, lead):
    led = lead(play(_line((48, 53, 52, 55, 60))), PLAN)
    assert _said(led.judged) == [
        (48, Reason.GOOD),
        (53, Reason.WRONG_KEY),
        (52, Reason.GOOD),
        (55, Reason.GOOD),
        (60, Reason.GOOD),
    ]
    wrong = led.judged[1]
    assert wrong.ask.midi == 52
    assert not wrong.is_counted
    assert led.conductor.state is State.DONE


def test_playing_on_after_a_bad_blow_is_accepted_and_the_key_asked_for_later(play, lead):
    blows = _line((48, 52, 55, 60, 52))
    blows[1] = (52, blows[1][1], 0.3)  # too short, and the player does not look
    led = lead(play(blows), PLAN)
    assert _said(led.judged) == [
        (48, Reason.GOOD),
        (52, Reason.TOO_SHORT),
        (55, Reason.GOOD),
        (60, Reason.GOOD),
        (52, Reason.GOOD),
    ]
    assert led.judged[-1].ask.midi == 52
    assert led.conductor.state is State.DONE


def test_playing_on_after_a_skipped_key_is_accepted_with_the_second_blow(play, lead):
    led = lead(play(_line((48, 55, 60, 52))), PLAN)
    assert led.judged[1].reason is Reason.WRONG_KEY
    assert _said(led.revised) == [(55, Reason.GOOD)]
    assert led.revised[0].is_counted
    assert led.conductor.state is State.DONE
    assert {blow.midi for blow in led.conductor.blows if blow.is_counted} == set(KEYS)


def test_one_slip_to_the_next_key_is_not_taken_for_playing_on(play, lead):
    led = lead(play(_line((48, 55, 52, 55, 60))), PLAN)
    assert led.revised == []
    assert [blow.is_counted for blow in led.judged] == [True, False, True, True, True]


@pytest.mark.parametrize("after_s", [0.15, 0.25, 0.4, 0.6])
def test_a_second_blow_within_the_hold_is_told(play, lead, after_s):
    blows = [(48, 1.2, 1.3), (52, 3.2, 1.3), (52, 3.2 + after_s, 1.3 - after_s, 3.0)]
    led = lead(play([*blows, (52, 5.5, 1.3)]), replace(PLAN, notes=(48, 52)))
    assert _said(led.judged) == [
        (48, Reason.GOOD),
        (52, Reason.DOUBLE_BLOW),
        (52, Reason.GOOD),
    ]


def test_a_softer_second_blow_makes_the_blow_bad(play, lead):
    blows = [(52, 1.2, 1.4), (52, 1.7, 0.9, 1.0), (52, 4.0, 1.4)]
    led = lead(play(blows), replace(PLAN, notes=(52,)))
    assert [blow.is_good for blow in led.judged] == [False, True]


@pytest.mark.parametrize(
    ("kind", "after_s", "level_db"),
    [("talk", 0.5, -10.0), ("knock", 0.6, -6.0), ("tick", 0.5, -15.0), ("thump", 0.7, -10.0)],
)
def test_noise_while_a_note_sounds_is_told(play, lead, kind, after_s, level_db):
    noise = Disturbance(kind=kind, onset_s=3.2 + after_s, duration_s=0.5, level_db=level_db)
    led = lead(
        play(_line((48, 60, 60), hold_s=1.5), others=[noise]), replace(PLAN, notes=(48, 60))
    )
    assert _said(led.judged) == [(48, Reason.GOOD), (60, Reason.NOISE), (60, Reason.GOOD)]
    assert led.judged[1].disturbed_at_s[0] == pytest.approx(3.2 + after_s, abs=0.1)


def test_talk_between_the_notes_disturbs_nothing(play, lead):
    talk = [
        Disturbance(kind="talk", onset_s=t, duration_s=0.6, level_db=-8.0) for t in (3.1, 6.1, 9.1)
    ]
    blows = _line(KEYS, every_s=3.0)
    led = lead(play(blows, others=talk), PLAN)
    assert _said(led.judged) == [(midi, Reason.GOOD) for midi in KEYS]
    assert any(isinstance(event, NoiseHeard) for event in led.events)


def test_a_blow_let_go_too_early_is_told(play, lead):
    led = lead(play(_line((48, 48), hold_s=0.4)), replace(PLAN, notes=(48,)))
    assert led.judged[0].reasons == (Reason.TOO_SHORT,)
    assert led.judged[0].hold_s == pytest.approx(0.4, abs=0.08)


def test_a_clipped_blow_is_told_and_the_input_turned_down(play, lead):
    sound = play(_line(KEYS[:2]))
    start = int(3.0 * sound.rate)
    samples = sound.samples.copy()
    samples[start:] = np.clip(30.0 * samples[start:], -1.0, 1.0)
    led = lead(replace(sound, samples=samples), replace(PLAN, notes=KEYS[:2]))
    assert [blow.reason for blow in led.judged] == [Reason.GOOD, Reason.CLIPPED]
    report = [event.report for event in led.events if isinstance(event, RoomChecked)][-1]
    assert report.turn_db == -6.0
    assert RoomWord.CLIPS in {line.word for line in report.lines}


def test_a_blow_far_softer_than_its_neighbours_is_told(play, lead):
    keys = (57, 58, 59, 60, 61)
    blows = [(m, 1.2 + 2.0 * i, 1.2, 0.5 if m == 60 else 3.5) for i, m in enumerate(keys)]
    led = lead(play(blows), RunPlan(notes=keys, hold_s=HOLD_S))
    verdicts = {blow.midi: blow for blow in led.judged}
    assert verdicts[60].reason is Reason.TOO_SOFT
    assert verdicts[60].level_step_db < -12.0
    assert verdicts[59].reason is Reason.GOOD
    assert verdicts[61].reason is Reason.GOOD


def test_a_blow_hardly_above_the_noise_is_too_soft(play, lead):
    sound = play(_line((48, 52)), room=Room(t60_s=0.4, snr_db=60.0))
    noise = np.random.default_rng(2).standard_normal(sound.samples.size).astype(np.float32)
    loud = replace(sound, samples=sound.samples + 0.006 * noise)
    led = lead(loud, replace(PLAN, notes=(48, 52)))
    assert led.judged
    assert all(Reason.TOO_SOFT in blow.reasons for blow in led.judged)


def test_soft_medium_and_firm_are_compared_with_each_other(play, lead):
    speeds = (0.9, 2.0, 4.0)
    blows = [
        (midi, 1.2 + 2.0 * (3 * i + j), 1.2, speed)
        for i, midi in enumerate((48, 60))
        for j, speed in enumerate(speeds)
    ]
    led = lead(play(blows), replace(PLAN, notes=(48, 60), touches=THREE_TOUCHES))
    assert [blow.ask.touch for blow in led.judged] == list(THREE_TOUCHES) * 2
    assert all(blow.is_counted for blow in led.judged)
    assert led.judged[0].touch_step_db is None
    for blow in led.judged:
        if blow.ask.touch is not Touch.SOFT:
            assert blow.touch_step_db > 3.0


def test_short_blows_of_a_ring_on_run(play, lead):
    keys = (40, 48, 55, 62, 70)
    blows = [(m, 1.2 + 2.5 * i, 0.3) for i, m in enumerate(keys)]
    led = lead(play(blows), RunPlan(kind=RunKind.RING_ON, notes=keys))
    assert _said(led.judged) == [(midi, Reason.GOOD) for midi in keys]
    for blow in led.judged:
        assert blow.end_s - blow.release_s == pytest.approx(1.6, abs=0.1)


def test_a_ring_on_run_played_too_fast_is_told(play, lead):
    blows = [(40, 1.2, 0.3), (48, 1.9, 0.3), (48, 4.5, 0.3)]
    led = lead(play(blows), RunPlan(kind=RunKind.RING_ON, notes=(40, 48)))
    assert led.judged[0].reasons == (Reason.NEXT_TOO_SOON,)


def test_a_repetition_run_gives_its_figures(play, lead):
    plan = repetition_plan(
        60, rng=np.random.default_rng(3), strikes=20, rate_per_s=7.0, missed=(5, 11)
    )
    blows = [(blow.midi, blow.onset_s + 0.5, blow.hold_s, 1.5) for blow in plan]
    led = lead(play(blows), RunPlan(kind=RunKind.REPETITION, notes=(60,)))
    (blow,) = led.judged
    assert blow.reason is Reason.GOOD
    assert blow.repetition.blows == 18
    assert blow.repetition.missed == 2


def test_a_repetition_of_two_blows_is_too_few(play, lead):
    led = lead(
        play([(60, 1.2, 0.1), (60, 1.4, 0.1)]), RunPlan(kind=RunKind.REPETITION, notes=(60,))
    )
    assert [blow.reason for blow in led.judged] == [Reason.TOO_FEW]


def test_an_undamped_key_is_judged_when_it_was_held_long_enough(play, lead):
    led = lead(
        play([(100, 1.2, 1.5)]),
        RunPlan(notes=(100,), hold_s=0.8),
        instrument=Instrument(last_damper_midi=88),
    )
    (blow,) = led.judged
    assert blow.reason is Reason.GOOD
    assert blow.end_s - blow.onset_s < 1.1


def test_a_pause_of_five_minutes_changes_nothing(play, lead):
    sound = play(_line(KEYS[:2]))
    at = int(3.15 * sound.rate)
    rng = np.random.default_rng(4)
    noise = np.std(sound.samples[: int(1.0 * sound.rate)]) * rng.standard_normal(300 * sound.rate)
    samples = np.concatenate([sound.samples[:at], noise.astype(np.float32), sound.samples[at:]])
    led = lead(replace(sound, samples=samples), replace(PLAN, notes=KEYS[:2]), block=4096)
    assert _said(led.judged) == [(midi, Reason.GOOD) for midi in KEYS[:2]]
    assert led.judged[1].onset_s == pytest.approx(303.2, abs=0.01)


@pytest.mark.parametrize("detune", [-1.0, -0.4, 0.3])
def test_an_instrument_off_pitch_is_no_wrong_key_when_that_is_known(play, lead, detune):
    sound = play(_line(KEYS))
    # Played slower by the ratio, everything sounds lower by it.
    ratio = 2 ** (detune / 12)
    count = int(sound.samples.size / ratio)
    samples = np.interp(
        np.arange(count) * ratio, np.arange(sound.samples.size), sound.samples
    ).astype(np.float32)
    led = lead(
        replace(sound, samples=samples), PLAN, instrument=Instrument(detune_semitones=detune)
    )
    assert _said(led.judged) == [(midi, Reason.GOOD) for midi in KEYS]


def test_keep_teaches_that_the_instrument_stands_a_semitone_flat(play):
    sound = play(_line((47, 51, 54, 59)))  # what is heard when C3, E3, G3, C4 are a semitone flat
    conductor = _conductor(PLAN, sound)
    events = []
    for first in range(0, sound.samples.size, 512):
        new = conductor.feed(sound.samples[first : first + 512])
        events += new
        if any(getattr(event, "blow", None) is not None for event in new) and (
            conductor.blows[-1].number == 1
        ):
            assert conductor.blows[-1].reason is Reason.WRONG_KEY
            events += conductor.do(Command.KEEP)
    assert [blow.is_counted for blow in conductor.blows] == [True] * 4
    assert [blow.midi for blow in conductor.blows] == list(KEYS)
    assert conductor.state is State.DONE


def _conductor(plan: RunPlan, sound, **kwargs) -> Conductor:
    from toneapp.analysis.live import LiveMeasure

    return Conductor(
        KeyPlan(plan),
        measure=LiveMeasure(),
        instrument=kwargs.pop("instrument", Instrument()),
        sample_rate_hz=sound.rate,
        checks_room=False,
        **kwargs,
    )


def test_again_takes_the_last_blow_back(play):
    sound = play(_line((48, 48, 52)))
    conductor = _conductor(replace(PLAN, notes=(48, 52)), sound)
    half = int(3.0 * sound.rate)
    conductor.feed(sound.samples[:half])
    assert conductor.plan.current.midi == 52
    conductor.do(Command.AGAIN)
    assert conductor.plan.current.midi == 48
    assert not conductor.blows[0].is_counted
    conductor.feed(sound.samples[half:])
    assert [blow.is_counted for blow in conductor.blows] == [False, True, True]


def test_nothing_is_heard_while_paused(play):
    sound = play(_line((48, 52, 48)))
    conductor = _conductor(replace(PLAN, notes=(48,)), sound)
    conductor.do(Command.PAUSE)
    half = int(4.8 * sound.rate)
    conductor.feed(sound.samples[:half])
    assert conductor.blows == []
    assert conductor.state is State.PAUSED
    conductor.do(Command.GO_ON)
    conductor.feed(sound.samples[half:])
    assert _said(conductor.blows) == [(48, Reason.GOOD)]
    assert conductor.blows[0].onset_s == pytest.approx(5.2, abs=0.01)


def test_skip_back_and_next_move_the_plan(play):
    conductor = _conductor(PLAN, play(_line(KEYS[:1])))
    assert conductor.plan.current.midi == 48
    (event,) = conductor.do(Command.NEXT)
    assert (event.ask.midi, event.open_keys) == (52, (48,))
    conductor.do(Command.SKIP)
    assert conductor.plan.current.midi == 55
    conductor.do(Command.BACK)
    assert conductor.plan.current.midi == 48
    conductor.do(Command.STOP)
    assert conductor.state is State.STOPPED
    assert conductor.do(Command.NEXT) == []


def test_a_signal_is_no_blow(play):
    from toneapp.audio.playback import Signal, signal_sound

    sound = play(_line((48,), start_s=3.0))
    conductor = _conductor(replace(PLAN, notes=(48,)), sound)
    samples = sound.samples.copy()
    tone = signal_sound(Signal.AGAIN, sample_rate_hz=sound.rate)
    at = int(1.5 * sound.rate)
    samples[at : at + tone.size] += tone
    heard = []
    for first in range(0, samples.size, 480):
        if first == at:
            assert conductor.may_sound
            conductor.be_deaf(tone.size / sound.rate + 0.3)
        heard += conductor.feed(samples[first : first + 480])
    assert _said(conductor.blows) == [(48, Reason.GOOD)]
    assert sum(isinstance(event, StrikeHeard) for event in heard) == 1
    assert not any(isinstance(event, NoiseHeard) for event in heard)


def test_no_signal_may_sound_while_a_key_is_held(play):
    sound = play(_line((48,)))
    conductor = _conductor(replace(PLAN, notes=(48,)), sound)
    conductor.feed(sound.samples[: int(1.6 * sound.rate)])
    assert conductor.state is State.HELD
    assert not conductor.may_sound
    assert conductor.held_s == pytest.approx(0.4, abs=0.03)


def test_lost_sound_makes_a_blow_bad(play):
    sound = play(_line((48, 48)))
    conductor = _conductor(replace(PLAN, notes=(48,)), sound)
    conductor.lose(1.9)
    conductor.feed(sound.samples)
    assert conductor.blows[0].reasons == (Reason.LOST_SOUND,)
    assert conductor.blows[1].is_good


def test_a_gap_in_the_sound_drops_the_blow_and_keeps_the_time(play):
    sound = play(_line((48, 52)))
    conductor = _conductor(replace(PLAN, notes=(48, 52)), sound)
    cut = int(1.9 * sound.rate)  # within the first blow
    conductor.feed(sound.samples[:cut])
    conductor.interrupt()
    assert conductor.state is State.INTERRUPTED
    conductor.gap(cut)
    conductor.resume()
    assert conductor.state is State.WAITING
    # After the gap the same run from its beginning.
    conductor.feed(sound.samples)
    assert _said(conductor.blows) == [(48, Reason.GOOD), (52, Reason.GOOD)]
    assert conductor.blows[0].onset_s == pytest.approx(1.9 + 1.2, abs=0.01)


def test_the_room_is_listened_to_before_the_first_key(play, lead):
    led = lead(play(_line(KEYS[:1], start_s=3.0)), replace(PLAN, notes=KEYS[:1]))
    checked = next(event for event in led.events if isinstance(event, RoomChecked))
    assert {line.word for line in checked.report.lines} == {RoomWord.QUIET_ENOUGH}
    assert led.conductor.report.peak_dbfs is not None


def _with_gain_control(samples: np.ndarray, rate: int) -> np.ndarray:
    """Automatic gain: down at once when it is loud, up again slowly."""
    out = np.empty_like(samples)
    gain = 1.0
    step = rate // 100
    for first in range(0, samples.size, step):
        block = samples[first : first + step]
        wanted = min(1.0, 0.01 / (float(np.std(block)) + 1e-9))
        gain = wanted if wanted < gain else min(wanted, gain * 10 ** (2.0 / 20 * 0.01))
        out[first : first + step] = gain * block
    return out


def test_automatic_gain_is_suspected_and_honest_gain_is_not(play, lead):
    keys = (48, 52, 55, 60)
    sound = play(_line(keys, every_s=5.0), room=Room(t60_s=0.3, snr_db=45.0))
    plan = RunPlan(notes=keys, hold_s=HOLD_S, compass=Compass.parse("C3-C5"))
    honest = lead(sound, plan)
    assert not any(isinstance(event, GainMoves) for event in honest.events)
    moved = lead(replace(sound, samples=_with_gain_control(sound.samples, sound.rate)), plan)
    assert sum(isinstance(event, GainMoves) for event in moved.events) == 1
