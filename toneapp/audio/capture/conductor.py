"""How does a run go on from blow to blow?

The `Conductor` joins plan, listener and judgement: fed with sound and commands, it gives events.
It has no thread, no clock and no file; time is counted in samples. `toneapp.audio.capture.engine`
feeds it from a microphone or a file.

Classes: `Conductor`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.account import BlowAccount
from toneapp.audio.capture.events import (
    Blow,
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
from toneapp.audio.capture.judging import BlowSound, Measure
from toneapp.audio.capture.listening import BlowListener
from toneapp.audio.capture.plan import KeyPlan
from toneapp.audio.capture.recognition import Recogniser
from toneapp.audio.capture.room_check import GAIN_TEXT
from toneapp.audio.capture.room_watch import LEVELS_BEFORE_S, SINCE_BLOW_S, RoomWatch
from toneapp.audio.capture.signs import (
    BlowEnded,
    BlowNamed,
    BlowStarted,
    LetGo,
    NotANote,
    Sign,
    Wish,
)
from toneapp.audio.capture.verdicts import BEFORE_S, BlowJudge, Instrument
from toneapp.keyboard import FULL_COMPASS, Compass
from toneapp.measure.release import HIGHEST_LAST_DAMPER_MIDI

__all__ = ["Conductor"]

TAIL_S = {RunKind.EVENNESS: 0.4, RunKind.RING_ON: 1.6, RunKind.REPETITION: 0.0}
"""Sound listened to after the release."""

EARLY_S = 0.08
"""So long before a blow is over it is measured already, from what is there, so that the verdict
waits for nothing; what may still fall into it is seen by the onsets alone."""


def _whole_keyboard(compass: Compass) -> Compass:
    """All keys that may be struck, by mistake as well: not only those of the run."""
    return Compass(
        lowest_midi=min(compass.lowest_midi, FULL_COMPASS.lowest_midi),
        highest_midi=max(compass.highest_midi, FULL_COMPASS.highest_midi),
    )


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
        self._instrument = instrument
        self._rate = sample_rate_hz
        self._recogniser = Recogniser(
            _whole_keyboard(plan.plan.compass), detune_semitones=instrument.detune_semitones
        )
        self._account = BlowAccount(plan, self._recogniser, blows=blows)
        self._judge_of_blows = BlowJudge(
            measure,
            self._account,
            self._recogniser,
            instrument=instrument,
            sample_rate_hz=sample_rate_hz,
        )
        self._room = RoomWatch(sample_rate_hz, from_s=first / sample_rate_hz)
        self._paused_from: State | None = None
        self._last_end_s = -np.inf
        self._listener = self._new_listener(first)
        if self.plan.current is None:
            self.state = State.DONE

    @property
    def blows(self) -> list[Blow]:
        """All blows, as they are judged now."""
        return self._account.blows

    @property
    def report(self) -> RoomReport:
        """What is known of room and input."""
        return self._room.report

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
        self._room.begin(first / self._rate)
        self._account.forget_pending()
        if self.state in (State.HELD, State.ENOUGH, State.RELEASED):
            self._rest(events)
        return events

    def lose(self, at_s: float) -> None:
        """Be told that sound was lost at a time: a blow about it cannot be good."""
        self._judge_of_blows.lose(at_s)

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
                    events += self._account.uncount(index)
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
                    self._room.begin(self.now_s)
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
        self._room.begin(self.now_s)

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
        if self.state is State.CHECKING and self._room.is_heard_out(self.now_s):
            self._finish_room_check(self.now_s, events)
            self._rest(events)
        if self.state not in (State.CHECKING, State.WAITING) or self._listener.is_busy:
            self._room.skip()
        else:
            self._room.offer(samples, at_s=self.now_s)

    def _finish_room_check(self, until_s: float, events: list[Event]) -> None:
        report = self._room.finish(until_s, self._listener.sound)
        if report is not None:
            events.append(RoomChecked(report=report))

    def _learn_of_input(self, sound: BlowSound, blow: Blow, events: list[Event]) -> None:
        """Learn from a blow how the input is set, and whether its gain is moved."""
        report = self._room.learn_level(sound.samples, clips=Reason.CLIPPED in blow.reasons)
        if report is not None:
            events.append(RoomChecked(report=report))
        if blow.onset_s - self._last_end_s < SINCE_BLOW_S:
            return
        levels = self._listener.levels_since(blow.onset_s - LEVELS_BEFORE_S)
        if self._room.has_gain_moved(levels, onset_s=blow.onset_s, end_s=blow.end_s):
            events.append(GainMoves(text=GAIN_TEXT))

    # -- blows -----------------------------------------------------------------------------------

    def _judge(self, sign: BlowEnded, events: list[Event]) -> None:
        ask = self.plan.current
        if ask is None or sign.blow.heard is None or sign.blow.heard.midi is None:
            self._rest(events)
            return
        sound = self._sound_of(sign)
        if self.plan.plan.kind is RunKind.REPETITION:
            expected = self._listener.wish.expected
            blow = self._judge_of_blows.judge_series(sign, sound, ask, expected=expected)
        else:
            note = self._judge_of_blows.judge_note(sign, sound, ask)
            if note is None:  # a voice, perhaps
                events.append(NoiseHeard(at_s=sign.blow.onset_s))
                if not self._listener.is_busy:
                    self._rest(events)
                return
            blow = note
            self._learn_of_input(sound, blow, events)
        self._last_end_s = sign.end_s
        events += self._account.enter(blow)
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
        if self.now_s < end_s - EARLY_S or self._judge_of_blows.was_measured(blow):
            return
        sign = BlowEnded(blow=blow, end_s=self.now_s, is_cut=False)
        self._judge_of_blows.measure_early(blow, self._sound_of(sign))

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
            is_expected=self._account.target(blow.heard.midi) is not None,
            is_cut=sign.is_cut,
            has_damper=self._has_damper(blow.heard.midi),
            room=self._room.quiet.room(at_s=self.now_s),
            room_version=self._room.quiet.version,
        )

    def _forget_attempt(self) -> None:
        self._account.forget_attempt()
        self._listener.drop_blow()

    def _again(self, events: list[Event]) -> None:
        """Ask once more for what the last blow answered."""
        events += self._account.ask_again()
        self._listener.drop_blow()
        if self.state in (State.HELD, State.ENOUGH, State.RELEASED):
            self._rest(events)
        self._announce(events)

    def _keep(self, events: list[Event]) -> None:
        """Let the last blow count after all, as the key that was asked for."""
        kept = self._account.keep()
        if kept:
            events += kept
            self._listener.drop_blow()
            self._rest(events)
            self._announce(events)
