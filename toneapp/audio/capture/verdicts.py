"""What is said of a blow that is over?

Measured early, from what is there shortly before its end, so that the verdict waits for nothing;
then judged against what was asked for and what its neighbours gave.

Classes: `BlowJudge`, `Instrument`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from toneapp.audio.capture.account import BlowAccount
from toneapp.audio.capture.events import Ask, Blow, Reason
from toneapp.audio.capture.judging import BlowSound, Measure, judge_blow
from toneapp.audio.capture.recognition import Recogniser
from toneapp.audio.capture.series import hear_series
from toneapp.audio.capture.signs import ActiveBlow, BlowEnded
from toneapp.pitch import A4_HZ, hz_to_cents
from toneapp.results import Flag, StrikeResult

__all__ = ["BEFORE_S", "BlowJudge", "Instrument"]

BEFORE_S = 0.25
"""Sound measured before the onset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """What is known of the instrument, for the judgement of a blow."""

    last_damper_midi: int | None = None
    a4_hz: float = A4_HZ
    detune_semitones: float = 0.0  # against A4 = 440 Hz, if an earlier run tells


class BlowJudge:
    """Measures and judges the blows of a run.

    Parameters
    ----------
    measure : callable
        Measures one blow.
    account : BlowAccount
        What was asked for, and what counts so far.
    recogniser : Recogniser
        Names a series of fast blows.
    instrument : Instrument
        What is known of it.
    sample_rate_hz : int
        Sampling rate.
    """

    def __init__(
        self,
        measure: Measure,
        account: BlowAccount,
        recogniser: Recogniser,
        *,
        instrument: Instrument,
        sample_rate_hz: int,
    ) -> None:
        self._measure = measure
        self._account = account
        self._recogniser = recogniser
        self._instrument = instrument
        self._rate = sample_rate_hz
        self._early: StrikeResult | None = None
        self._early_of: tuple[float, float | None] | None = None  # onset and release
        self._lost_at_s: deque[float] = deque(maxlen=64)

    def lose(self, at_s: float) -> None:
        """Be told that sound was lost at a time: a blow about it cannot be good."""
        self._lost_at_s.append(at_s)

    def was_measured(self, blow: ActiveBlow) -> bool:
        """Tell whether a blow, as far as it is known, was measured early."""
        return self._early_of == (blow.onset_s, blow.release_s)

    def measure_early(self, blow: ActiveBlow, sound: BlowSound) -> None:
        """Measure a blow that is about to be over."""
        self._early_of = (blow.onset_s, blow.release_s)
        self._early = self._measure(sound)

    def judge_note(self, sign: BlowEnded, sound: BlowSound, ask: Ask) -> Blow | None:
        """Judge a held note or a short blow; None when it was no blow at all, a voice perhaps."""
        heard = sign.blow
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
        target = self._account.target(sound.midi)
        touch = self._account.plan.asks[target].touch if target is not None else ask.touch
        level_db = result.level_db
        usual_db = self._account.levels.usual_db(sound.midi, touch)
        softer_db = self._account.levels.softer_db(sound.midi, touch)
        reasons = judge_blow(
            result,
            ask=ask,
            kind=self._account.plan.plan.kind,
            hold_s=hold_s,
            after_s=None if release_s is None else sign.end_s - release_s,
            is_cut=sign.is_cut,
            noises=len(heard.noises_s),
            second_blows=len(heard.second_onsets_s),
            usual_db=usual_db,
            has_lost_sound=self._has_lost(heard.onset_s, sign.end_s),
            is_accepted_key=target is not None,
        )
        return Blow(
            number=len(self._account.blows) + 1,
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

    def judge_series(
        self, sign: BlowEnded, sound: BlowSound, ask: Ask, *, expected: tuple[int, ...]
    ) -> Blow:
        """Judge a key that was struck fast; `expected` are keys that may well come."""
        heard = sign.blow
        midi, figures = hear_series(
            sound.samples.astype(np.float64),
            sample_rate_hz=self._rate,
            recogniser=self._recogniser,
            expected=expected,
            heard=sound.midi,
        )
        target = self._account.target(midi)
        reasons = []
        if target is None:
            reasons.append(Reason.WRONG_KEY)
        if self._has_lost(heard.onset_s, sign.end_s):
            reasons.append(Reason.LOST_SOUND)
        if figures is None:  # a series has six blows
            reasons.append(Reason.TOO_FEW)
        return Blow(
            number=len(self._account.blows) + 1,
            ask=ask,
            midi=midi,
            reasons=tuple(reasons) or (Reason.GOOD,),
            onset_s=heard.onset_s,
            end_s=sign.end_s,
            release_s=None,
            hold_s=None,
            filled=target,
            repetition=figures,
        )

    def _measured(self, sign: BlowEnded, sound: BlowSound) -> StrikeResult | None:
        """Result of a blow that is over: the one taken early, if it still holds."""
        if self.was_measured(sign.blow) and not sign.is_cut:
            return self._early
        return self._measure(sound)

    def _cents(self, result: StrikeResult | None) -> float | None:
        if result is None or result.f1_hz is None:
            return None
        return hz_to_cents(result.f1_hz, midi=result.midi, a4_hz=self._instrument.a4_hz)

    def _has_lost(self, start_s: float, end_s: float) -> bool:
        return any(start_s - BEFORE_S <= at_s <= end_s for at_s in self._lost_at_s)
