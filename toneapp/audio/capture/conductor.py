"""How does a run go on from blow to blow?

The `Conductor` joins plan, listener and judgement: fed with sound and commands, it gives events.
It has no thread, no clock and no file; time is counted in samples. `toneapp.audio.capture.engine`
feeds it from a microphone or a file.

Classes: `Conductor`.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.events import (
    Ask,
    Blow,
    BlowJudged,
    BlowRevised,
    Command,
    Event,
    GainMoves,
    NoiseHeard,
    Reason,
    RoomChecked,
    RoomReport,
    RunKind,
    State,
    StateChanged,
    StrikeHeard,
)
from toneapp.audio.capture.judging import BlowSound, LevelBook, Measure, judge_blow
from toneapp.audio.capture.listening import (
    BlowEnded,
    BlowListener,
    BlowNamed,
    BlowStarted,
    LetGo,
    NotANote,
    Sign,
    Wish,
)
from toneapp.audio.capture.plan import KeyPlan
from toneapp.audio.capture.recognition import Recogniser
from toneapp.audio.capture.room_check import (
    GAIN_TEXT,
    GainWatch,
    QuietMoments,
    check_room,
    level_lines,
)
from toneapp.measure.release import HIGHEST_LAST_DAMPER_MIDI
from toneapp.measure.repetition import find_series, measure_repetition
from toneapp.pitch import A4_HZ, hz_to_cents, hz_to_midi
from toneapp.results import Flag, StrikeResult

__all__ = ["Conductor", "Instrument"]

logger = logging.getLogger(__name__)

ROOM_S = 2.5
ROOM_LEAST_S = 0.6
BEFORE_S = 0.25
TAIL_S = {RunKind.EVENNESS: 0.4, RunKind.RING_ON: 1.6, RunKind.REPETITION: 0.0}
"""Sound measured before the onset, and listened to after the release."""

EARLY_S = 0.08
"""So long before a blow is over it is measured already, from what is there, so that the verdict
waits for nothing; what may still fall into it is seen by the onsets alone."""

RESULTS_KEPT = 8
"""Full results are kept for the last blows only, so that memory does not grow with the run; those
who want them all take them from the events."""

AHEAD_KEYS = 3
"""A blow up to three keys ahead of the one asked for can be the run going on without looking."""

WATCHED_BEFORE_S = 0.4
WATCHED_AFTER_S = 0.2
SINCE_BLOW_S = 1.5
"""Quiet before a blow and end of what follows it, compared for the gain; and how long the piano
must have been silent for the first to be quiet indeed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """What is known of the instrument, for the judgement of a blow."""

    last_damper_midi: int | None = None
    a4_hz: float = A4_HZ
    detune_semitones: float = 0.0  # against A4 = 440 Hz, if an earlier run tells


class Conductor:
    """Leads through a run.

    Parameters
    ----------
    plan : KeyPlan
        What is to be played, and what has been.
    measure : callable
        Measures one blow.
    instrument : Instrument
        What is known of it.
    sample_rate_hz : int
        Sampling rate.
    first : int
        Frames of the run that are on the disk already.
    blows : sequence of Blow
        Blows of the run before this (a run that is gone on with).
    checks_room : bool
        Listen to the room first.
    """

    def __init__(
        self,
        plan: KeyPlan,
        *,
        measure: Measure,
        instrument: Instrument,
        sample_rate_hz: int,
        first: int = 0,
        blows: Sequence[Blow] = (),
        checks_room: bool = True,
    ) -> None:
        self.plan = plan
        self.state = State.CHECKING if checks_room else State.WAITING
        self.report = RoomReport(noise_dbfs=None)
        self.blows = list(blows)
        self._measure = measure
        self._instrument = instrument
        self._rate = sample_rate_hz
        self._recogniser = Recogniser(
            plan.plan.compass, detune_semitones=instrument.detune_semitones
        )
        self._levels = LevelBook()
        self._gain = GainWatch()
        self._quiet = QuietMoments(sample_rate_hz)
        self._waiting_block = np.zeros(0, np.float32)
        self._room_from_s = first / sample_rate_hz
        self._paused_from: State | None = None
        self._attempted: int | None = None  # index of the ask that was struck at, rightly or not
        self._pending: Blow | None = None  # a blow ahead of the plan, else good
        self._last_end_s = -np.inf
        self._early: StrikeResult | None = None
        self._early_of: tuple[float, float | None] | None = None  # onset and release
        self._lost_at_s: deque[float] = deque(maxlen=64)
        self._peak = 0.0
        self._has_clipped = False
        for blow in blows:
            if blow.is_counted and blow.level_db is not None:
                self._levels.enter(blow.midi, blow.ask.touch, blow.level_db)
        self._listener = self._new_listener(first)
        if self.plan.current is None:
            self.state = State.DONE

    @property
    def now_s(self) -> float:
        """Time in the run, in s."""
        return self._listener.now_s

    @property
    def held_s(self) -> float | None:
        """How long the present blow has been held; ``None`` without one."""
        began_s = self._listener.held_from_s
        return None if began_s is None else self.now_s - began_s

    @property
    def may_sound(self) -> bool:
        """Tell whether a signal would disturb nothing."""
        return self.state in (State.WAITING, State.PAUSED, State.DONE) and (
            not self._listener.is_busy
        )

    def state_event(self) -> StateChanged:
        """The present state as an event."""
        return StateChanged(
            at_s=self.now_s,
            state=self.state,
            ask=self.plan.current,
            open_keys=self.plan.open_keys,
        )

    def be_deaf(self, seconds: float) -> None:
        """Take nothing for a blow that begins within the next seconds: a signal sounds."""
        self._listener.be_deaf(seconds)

    # -- sound -----------------------------------------------------------------------------------

    def feed(self, samples: Float32Array) -> list[Event]:
        """Take sound in, shape (n,), mono; say what happened."""
        events: list[Event] = []
        self._wish()
        if self.state in (State.PAUSED, State.INTERRUPTED, State.STOPPED):
            self._listener.sound.append(samples)
            return events
        self._take(self._listener.feed(samples), events)
        self._measure_early()
        self._see_hold(events)
        self._see_room(samples, events)
        return events

    def finish(self) -> list[Event]:
        """Judge the blow that is being followed: no sound comes any more."""
        events: list[Event] = []
        if self.state not in (State.PAUSED, State.INTERRUPTED, State.STOPPED):
            self._take(self._listener.finish(), events)
        return events

    def _take(self, signs: Sequence[Sign], events: list[Event]) -> None:
        """Act on what the listener has heard."""
        for sign in signs:
            match sign:
                case BlowStarted():
                    self._begin(sign, events)
                case BlowNamed():
                    self._go_to(State.HELD, events)
                case LetGo():
                    self._go_to(State.RELEASED, events)
                case NotANote():
                    events.append(NoiseHeard(at_s=sign.onset_s))
                    if self.state is State.HELD and not self._listener.is_busy:
                        self._rest(events)
                case BlowEnded():
                    self._judge(sign, events)

    def gap(self, first: int) -> list[Event]:
        """Be told that the sound does not go on from before; the next frame is `first`."""
        events: list[Event] = []
        self._listener = self._new_listener(first)
        self._room_from_s = first / self._rate
        self._pending = None
        if self.state in (State.HELD, State.ENOUGH, State.RELEASED):
            self._rest(events)
        return events

    def lose(self, at_s: float) -> None:
        """Be told that sound was lost at a time: a blow about it cannot be good."""
        self._lost_at_s.append(at_s)

    def interrupt(self) -> list[Event]:
        """Be told that the run cannot go on for now."""
        events: list[Event] = []
        if self.state in (State.STOPPED, State.INTERRUPTED):
            return events
        self._listener.drop_blow()
        if self.state is not State.PAUSED:
            self._paused_from = State.CHECKING if self.state is State.CHECKING else None
            self._go_to(State.INTERRUPTED, events)
        return events

    def resume(self) -> list[Event]:
        """Be told that the run can go on."""
        events: list[Event] = []
        if self.state is State.INTERRUPTED:
            self._rest(events)
        return events

    # -- commands --------------------------------------------------------------------------------

    def do(self, command: Command) -> list[Event]:
        """Carry out what the user asks for."""
        events: list[Event] = []
        if self.state is State.STOPPED:
            return events
        match command:
            case Command.NEXT:
                self._forget_attempt()
                self.plan.pass_over()
                self._announce(events)
            case Command.SKIP:
                self._forget_attempt()
                self.plan.leave_out()
                self._announce(events)
            case Command.BACK:
                self._forget_attempt()
                index = self.plan.go_back()
                if index is not None:
                    self._uncount(index, events)
                self._announce(events)
            case Command.AGAIN:
                self._again(events)
            case Command.KEEP:
                self._keep(events)
            case Command.PAUSE:
                if self.state not in (State.PAUSED, State.INTERRUPTED):
                    self._listener.drop_blow()
                    self._go_to(State.PAUSED, events)
            case Command.GO_ON:
                if self.state is State.PAUSED:
                    self._renew_listener()
                    self._rest(events)
            case Command.CHECK_ROOM:
                if self.state in (State.WAITING, State.DONE):
                    self._room_from_s = self.now_s
                    self._go_to(State.CHECKING, events)
            case Command.STOP:
                self._listener.drop_blow()
                self._go_to(State.STOPPED, events)
        return events

    # -- states ----------------------------------------------------------------------------------

    def _new_listener(self, first: int) -> BlowListener:
        return BlowListener(sample_rate_hz=self._rate, recogniser=self._recogniser, first=first)

    def _renew_listener(self) -> None:
        """Begin to listen afresh at the present place: what sounded before is no measure."""
        self._listener = self._new_listener(self._listener.sound.stop)
        self._room_from_s = self.now_s

    def _wish(self) -> None:
        """Tell the listener what is wanted of the next blow."""
        ask = self.plan.current
        kind = self.plan.plan.kind
        midi = ask.midi if ask is not None else None
        if self._listener.blow is not None and self._listener.blow.heard is not None:
            midi = self._listener.blow.heard.midi  # its own damper counts
        following = None if ask is None else self.plan.next_key(ask.index)
        self._listener.wish = Wish(
            expected=tuple(
                key for key in (ask.midi if ask else None, following) if key is not None
            ),
            hold_s=ask.hold_s if ask is not None else 1.0,
            tail_s=TAIL_S[kind],
            has_damper=None if midi is None else self._has_damper(midi),
            only_onsets=kind is RunKind.REPETITION,
        )

    def _has_damper(self, midi: int) -> bool | None:
        last = self._instrument.last_damper_midi
        if last is not None:
            return midi <= last
        return False if midi > HIGHEST_LAST_DAMPER_MIDI else None

    def _go_to(self, state: State, events: list[Event]) -> None:
        if state is not self.state:
            self.state = state
            events.append(self.state_event())

    def _rest(self, events: list[Event]) -> None:
        """Go on waiting, or be done."""
        if self._paused_from is State.CHECKING:
            self._paused_from = None
            self._go_to(State.CHECKING, events)
            return
        self._go_to(State.DONE if self.plan.current is None else State.WAITING, events)

    def _announce(self, events: list[Event]) -> None:
        """Say that another key is asked for."""
        if self.state in (State.WAITING, State.DONE):
            self.state = State.DONE if self.plan.current is None else State.WAITING
        events.append(self.state_event())

    def _begin(self, sign: BlowStarted, events: list[Event]) -> None:
        if self.state is State.CHECKING:
            self._finish_room_check(sign.onset_s - 0.05, events)
        events.append(StrikeHeard(at_s=sign.onset_s))
        self._go_to(State.HELD, events)

    def _see_hold(self, events: list[Event]) -> None:
        ask, held_s = self.plan.current, self.held_s
        if self.state is not State.HELD or ask is None or held_s is None:
            return
        if self.plan.plan.kind is not RunKind.REPETITION and held_s >= ask.hold_s:
            self._go_to(State.ENOUGH, events)

    # -- the room --------------------------------------------------------------------------------

    def _see_room(self, samples: Float32Array, events: list[Event]) -> None:
        if self.state is State.CHECKING and self.now_s - self._room_from_s >= ROOM_S:
            self._finish_room_check(self.now_s, events)
            self._rest(events)
        if self.state not in (State.CHECKING, State.WAITING) or self._listener.is_busy:
            self._waiting_block = np.zeros(0, np.float32)
            return
        block = np.concatenate([self._waiting_block, samples])
        size = self._quiet.block_samples
        while block.size >= size:
            self._quiet.offer(block[:size], at_s=self.now_s)
            block = block[size:]
        self._waiting_block = block

    def _finish_room_check(self, until_s: float, events: list[Event]) -> None:
        if until_s - self._room_from_s < ROOM_LEAST_S:
            return
        start = int((self._room_from_s + 0.05) * self._rate)
        sound = self._listener.sound.between(start, int(until_s * self._rate))
        self.report = self._with_level(check_room(sound, sample_rate_hz=self._rate))
        events.append(RoomChecked(report=self.report))

    def _with_level(self, report: RoomReport) -> RoomReport:
        """Add what the loudest blow tells of the input."""
        turn_db, lines = level_lines(self._peak, has_clipped=self._has_clipped)
        words = {line.word for line in lines}
        level_words = {"clips", "loud", "weak", "level_good"}
        others = tuple(line for line in report.lines if line.word not in words | level_words)
        return replace(
            report,
            peak_dbfs=20.0 * float(np.log10(self._peak)) if self._peak > 0 else None,
            turn_db=turn_db,
            lines=others + lines,
        )

    def _learn_level(self, samples: Float32Array, *, clips: bool, events: list[Event]) -> None:
        peak = float(np.max(np.abs(samples), initial=0.0))
        if peak <= self._peak and (self._has_clipped or not clips):
            return
        self._peak = max(self._peak, peak)
        self._has_clipped = self._has_clipped or clips
        before = {line.word for line in self.report.lines}
        self.report = self._with_level(self.report)
        if {line.word for line in self.report.lines} != before:
            events.append(RoomChecked(report=self.report))

    def _watch_gain(self, onset_s: float, end_s: float, events: list[Event]) -> None:
        """Compare the quiet before a blow with the end of what follows it."""
        if onset_s - self._last_end_s < SINCE_BLOW_S:
            return
        recent = self._listener.levels_since(onset_s - WATCHED_BEFORE_S - 0.1)
        t = recent.times_s
        before = recent.power[:, (t > onset_s - WATCHED_BEFORE_S) & (t < onset_s - 0.06)]
        after = recent.power[:, (t > end_s - WATCHED_AFTER_S) & (t < end_s - 0.03)]
        if self._gain.add_blow(before, after):
            events.append(GainMoves(text=GAIN_TEXT))

    # -- blows -----------------------------------------------------------------------------------

    def _judge(self, sign: BlowEnded, events: list[Event]) -> None:
        ask = self.plan.current
        if ask is None or sign.blow.heard is None or sign.blow.heard.midi is None:
            self._rest(events)
            return
        if self.plan.plan.kind is RunKind.REPETITION:
            blow = self._judge_repetition(sign, ask)
        else:
            note = self._judge_note(sign, ask, events)
            if note is None:  # a voice, perhaps
                events.append(NoiseHeard(at_s=sign.blow.onset_s))
                if not self._listener.is_busy:
                    self._rest(events)
                return
            blow = note
        self._last_end_s = sign.end_s
        self.blows.append(blow)
        if len(self.blows) > RESULTS_KEPT:
            old = len(self.blows) - 1 - RESULTS_KEPT
            self.blows[old] = replace(self.blows[old], result=None)
        self._settle(len(self.blows) - 1, events)
        if not self._listener.is_busy:
            self._rest(events)

    def _measure_early(self) -> None:
        """Measure a blow that is about to be over."""
        blow, end_s = self._listener.blow, self._listener.expected_end_s
        if (
            self.plan.current is None
            or blow is None
            or end_s is None
            or blow.heard is None
            or blow.heard.midi is None
        ):
            return
        if self.now_s < end_s - EARLY_S or self._early_of == (blow.onset_s, blow.release_s):
            return
        sign = BlowEnded(blow=blow, end_s=self.now_s, is_cut=False)
        self._early_of = (blow.onset_s, blow.release_s)
        self._early = self._measure(self._sound_of(sign))

    def _measured(self, sign: BlowEnded, sound: BlowSound) -> StrikeResult | None:
        """Result of a blow that is over: the one taken early, if it still holds."""
        if self._early_of == (sign.blow.onset_s, sign.blow.release_s) and not sign.is_cut:
            return self._early
        return self._measure(sound)

    def _sound_of(self, sign: BlowEnded) -> BlowSound:
        blow = sign.blow
        assert blow.heard is not None
        assert blow.heard.midi is not None
        start = max(self._listener.sound.start, int((blow.onset_s - BEFORE_S) * self._rate))
        return BlowSound(
            samples=self._listener.sound.between(start, int(sign.end_s * self._rate)),
            sample_rate_hz=self._rate,
            first_s=start / self._rate,
            onset_s=blow.onset_s,
            end_s=sign.end_s,
            midi=blow.heard.midi,
            pitch=blow.heard.pitch,
            is_expected=self._target(blow.heard.midi) is not None,
            is_cut=sign.is_cut,
            has_damper=self._has_damper(blow.heard.midi),
            room=self._quiet.room(at_s=self.now_s),
            room_version=self._quiet.version,
        )

    def _judge_note(self, sign: BlowEnded, ask: Ask, events: list[Event]) -> Blow | None:
        heard = sign.blow
        sound = self._sound_of(sign)
        result = self._measured(sign, sound)
        if result is None or (not sound.is_expected and Flag.QUIET in result.flags):
            return None  # nothing that anybody would call a blow on another key
        release_s = heard.release_s
        disturbed = bool(heard.noises_s or heard.second_onsets_s)
        if result.release_s is not None and not disturbed:
            release_s = result.release_s  # found more exactly, when nothing else fell
        hold_s = None if release_s is None else release_s - heard.onset_s
        if hold_s is None and sign.is_cut:
            hold_s = sign.end_s - heard.onset_s
        target = self._target(sound.midi)
        touch = self.plan.asks[target].touch if target is not None else ask.touch
        level_db = result.level_db
        usual_db = self._levels.usual_db(sound.midi, touch)
        softer_db = self._levels.softer_db(sound.midi, touch)
        reasons = judge_blow(
            result,
            ask=ask,
            kind=self.plan.plan.kind,
            hold_s=hold_s,
            after_s=None if release_s is None else sign.end_s - release_s,
            is_cut=sign.is_cut,
            noises=len(heard.noises_s),
            second_blows=len(heard.second_onsets_s),
            usual_db=usual_db,
            has_lost_sound=self._has_lost(heard.onset_s, sign.end_s),
            is_accepted_key=target is not None,
        )
        clips = Reason.CLIPPED in reasons
        self._learn_level(sound.samples, clips=clips, events=events)
        self._watch_gain(heard.onset_s, sign.end_s, events)
        return Blow(
            number=len(self.blows) + 1,
            ask=ask,
            midi=sound.midi,
            reasons=reasons,
            onset_s=heard.onset_s,
            end_s=sign.end_s,
            release_s=release_s,
            hold_s=hold_s,
            cents=self._cents(result),
            level_db=level_db,
            level_step_db=None if level_db is None or usual_db is None else level_db - usual_db,
            touch_step_db=None if level_db is None or softer_db is None else level_db - softer_db,
            disturbed_at_s=tuple(sorted([*heard.noises_s, *heard.second_onsets_s])),
            is_cut=sign.is_cut,
            filled=target,
            result=result,
        )

    def _judge_repetition(self, sign: BlowEnded, ask: Ask) -> Blow:
        heard = sign.blow
        sound = self._sound_of(sign)
        series = find_series(sound.samples.astype(np.float64), sample_rate_hz=self._rate)
        longest = max(series, key=lambda item: item.times_s.size, default=None)
        figures = None if longest is None else measure_repetition(longest, midi=sound.midi)
        target = self._target(sound.midi)
        reasons = []
        if target is None:
            reasons.append(Reason.WRONG_KEY)
        if self._has_lost(heard.onset_s, sign.end_s):
            reasons.append(Reason.LOST_SOUND)
        if figures is None:  # a series has six blows
            reasons.append(Reason.TOO_FEW)
        return Blow(
            number=len(self.blows) + 1,
            ask=ask,
            midi=sound.midi,
            reasons=tuple(reasons) or (Reason.GOOD,),
            onset_s=heard.onset_s,
            end_s=sign.end_s,
            release_s=None,
            hold_s=None,
            filled=target,
            repetition=figures,
        )

    def _cents(self, result: StrikeResult | None) -> float | None:
        if result is None or result.f1_hz is None:
            return None
        return hz_to_cents(result.f1_hz, midi=result.midi, a4_hz=self._instrument.a4_hz)

    def _has_lost(self, start_s: float, end_s: float) -> bool:
        return any(start_s - BEFORE_S <= at_s <= end_s for at_s in self._lost_at_s)

    def _target(self, midi: int) -> int | None:
        """Index of the ask that a blow on this key may answer now; ``None``: a wrong key."""
        ask = self.plan.current
        if ask is None:
            return None
        if midi == ask.midi:
            return ask.index
        ahead = self.plan.ahead(midi, keys=AHEAD_KEYS)
        if ahead is None:
            return None
        # Who has struck at the key asked for and goes on has not looked, or has not believed.
        if self._attempted == ask.index and self.plan.next_key(ask.index) == midi:
            return ahead
        pending = self._pending
        if pending is not None and pending.filled is not None:
            # Two blows in the plan's order ahead of it: the run has gone on.
            asks = self.plan.asks
            same_key_again = midi == pending.midi and ahead > pending.filled
            follows = self.plan.next_key(pending.filled) == midi
            if follows or (same_key_again and asks[ahead].midi == midi):
                return ahead
        return None

    def _settle(self, index: int, events: list[Event]) -> None:
        """Let a judged blow count or not, and move the plan."""
        blow = self.blows[index]
        ask = blow.ask
        if blow.filled is None:
            ahead = self.plan.ahead(blow.midi, keys=AHEAD_KEYS)
            only_key = blow.reasons == (Reason.WRONG_KEY,)
            self._pending = replace(blow, filled=ahead) if ahead is not None and only_key else None
            self._attempted = ask.index
            # A key ahead that may have been meant is not an attempt at the one asked for.
            if self._pending is not None:
                self._attempted = None
            events.append(BlowJudged(blow=blow))
            return
        if blow.filled != ask.index and self._pending is not None:
            self._accept_pending(blow, events)
        self._pending = None
        if blow.is_good:
            self.plan.answer(blow.filled)
            self._count(index)
            self._attempted = None
            self._learn(blow)
        else:
            if blow.filled != ask.index:
                self.plan.reopen(blow.filled)
            self._attempted = blow.filled
        events.append(BlowJudged(blow=self.blows[index]))

    def _accept_pending(self, blow: Blow, events: list[Event]) -> None:
        """Count the blow ahead of the plan that the one after it has explained."""
        pending = self._pending
        assert pending is not None
        assert pending.filled is not None
        if blow.filled is None or not pending.filled < blow.filled:
            return
        at = pending.number - 1
        self.blows[at] = replace(pending, reasons=(Reason.GOOD,), is_counted=True)
        self.plan.answer(pending.filled)
        self._learn(self.blows[at])
        events.append(BlowRevised(blow=self.blows[at]))

    def _count(self, index: int) -> None:
        self.blows[index] = replace(self.blows[index], is_counted=True)

    def _learn(self, blow: Blow) -> None:
        """Learn level and pitch from a blow that counts."""
        assert blow.filled is not None
        touch = self.plan.asks[blow.filled].touch
        if blow.level_db is not None:
            self._levels.enter(blow.midi, touch, blow.level_db)
        result = blow.result
        if result is not None and result.f1_hz is not None and Flag.NO_PITCH not in result.flags:
            self._recogniser.learn(blow.midi, hz_to_midi(result.f1_hz))

    def _uncount(self, ask_index: int, events: list[Event]) -> None:
        """Let the blow that answered an ask no longer count."""
        for at, blow in enumerate(self.blows):
            if blow.is_counted and blow.filled == ask_index:
                self.blows[at] = replace(blow, is_counted=False)
                events.append(BlowRevised(blow=self.blows[at]))

    def _forget_attempt(self) -> None:
        self._attempted = None
        self._pending = None
        self._listener.drop_blow()

    def _again(self, events: list[Event]) -> None:
        """Ask once more for what the last blow answered."""
        self._forget_attempt()
        last = self.blows[-1] if self.blows else None
        if last is not None and last.is_counted and last.filled is not None:
            self._uncount(last.filled, events)
            self.plan.reopen(last.filled)
        if self.state in (State.HELD, State.ENOUGH, State.RELEASED):
            self._rest(events)
        self._announce(events)

    def _keep(self, events: list[Event]) -> None:
        """Let the last blow count after all, as the key that was asked for."""
        last = self.blows[-1] if self.blows else None
        if last is None or last.is_counted or Reason.LOST_SOUND in last.reasons:
            return
        target = last.filled if last.filled is not None else last.ask.index
        if not self.plan.is_open(target):
            return
        if last.midi != self.plan.asks[target].midi and last.result is not None:
            # Then the instrument does not stand where it was thought to.
            hz = last.result.f1_hz
            if hz is not None:
                self._recogniser.shift_to(self.plan.asks[target].midi, hz_to_midi(hz))
        self._uncount(target, events)
        self.blows[-1] = replace(
            last, is_counted=True, filled=target, midi=self.plan.asks[target].midi
        )
        self._forget_attempt()
        self.plan.answer(target)
        if last.level_db is not None:
            self._levels.enter(self.blows[-1].midi, self.plan.asks[target].touch, last.level_db)
        events.append(BlowRevised(blow=self.blows[-1]))
        self._rest(events)
        self._announce(events)
