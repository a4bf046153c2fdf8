"""Where does a blow begin, and when is it over?

`BlowListener` is fed with sound as it comes and says what happens in it: a blow begins, it is one
of such a key (or no note at all), the key is let go, the blow is over. It keeps no thread and no
clock: the same samples give the same signs, whether they come from a microphone or from a file.

A blow is over a moment after its release, or when it has died away, when nothing more is wanted
of it, or when the next one begins. The exact release is for the measures to find; here it only
decides how long to listen.

Classes: `BlowListener`; what it says is in `toneapp.audio.capture.signs`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from toneapp._typing import Float32Array
from toneapp.audio.capture.recognition import Heard, Recogniser
from toneapp.audio.capture.rolling import RollingLevels, RollingSound
from toneapp.audio.capture.signs import (
    ActiveBlow,
    BlowEnded,
    BlowNamed,
    BlowStarted,
    LetGo,
    NotANote,
    Sign,
    Wish,
)
from toneapp.measure.evidence import LONG_S, gather_evidence
from toneapp.measure.expected_release import find_drop
from toneapp.measure.onsets import (
    LEAST_SPACING_S,
    BandLevels,
    find_candidates,
    place_onset,
)

__all__ = ["BlowListener"]

KEPT_S = 16.0
LONGEST_BLOW_S = 12.0
"""As long as the measures follow a strike."""

TICK_S = 0.016
SEARCH_S = 0.7
CANDIDATE_AGE_S = 0.06
"""An onset is looked at when so much sound has followed that no stronger one lies beside it."""

EVIDENCE_S = LONG_S + 0.03
CUT_EVIDENCE_S = 0.10
"""Sound after an onset that its evidence is gathered from, and the least when another follows."""

LEAST_RISE_DB = 14.0
TYPICAL_SHARE = 0.12
STRONG_RISE_DB = 45.0
STRONG_SHARE = 0.4
"""Rise over all bands of what is looked at, and of what is taken for a blow at once: at least so
much, or this share of the blows so far. Most beats and thumps stay below both."""

REPEATED_RISE_DB = 30.0
"""A blow on a key that sounds already lifts the bands by far less than one from silence."""

ECHO_S = 0.12
ECHO_SHARE = 0.35
"""A weak onset close behind a strong one belongs to the same blow."""

NOISE_RISE_DB = 55.0
NOISE_SHARE = 0.16
QUIET_S = 0.1
THUMP_S = 0.18
"""A sound that is no note disturbs one when its rise over all bands is at least 55 dB and a sixth
of a blow's (in recordings of a real grand at its softest, noise of the hall reaches 48); around
the release the damper and the key itself are heard."""

SECOND_SUPPORT = 0.25
"""While a note sounds, less than this is a knock and no other blow, but on a key asked for."""

BOUNCE_S = 0.5
SAME_PITCH = 0.6
"""A sound of the same pitch, in semitones, so shortly before a blow was its first half."""

RELEASE_FROM_S = 0.12
RELEASE_EVERY_S = 0.04
RELEASE_WINDOW_S = 1.3
RELEASE_AGE_S = 0.10
"""The levels of so much sound are searched for a release, so often, and it has to be so old."""

AT_ONCE_S = 0.03
KNOCK_S = 0.4
"""A fall between these times after a knock or a second blow may be its own."""

DIED_DB = 3.0
DIED_S = 0.25
"""A note has died away when its bands have been within 3 dB of the noise for a quarter second."""

UNDAMPED_S = 0.12
UNSEEN_RELEASE_S = 3.0
UNSURE_RELEASE_S = 0.6
SURE_DAMPER_MIDI = 84
"""So long after the wanted hold a blow is over though no release was seen: on a key without a
damper, on one that surely has one, and on one above C6, which may have one."""


@dataclass(slots=True, kw_only=True)
class _Pending:
    """An onset whose evidence is not complete yet."""

    time_s: float
    rise_db: float
    was_announced: bool = False


class BlowListener:
    """Follows the blows in a mono sound.

    Parameters
    ----------
    sample_rate_hz : int
        Sampling rate.
    recogniser : Recogniser
        Names the keys.
    first : int
        Position of the first sample in the run.
    """

    def __init__(self, *, sample_rate_hz: int, recogniser: Recogniser, first: int = 0) -> None:
        self.rate = sample_rate_hz
        self.wish = Wish()
        self.blow: ActiveBlow | None = None
        self._recogniser = recogniser
        self._sound = RollingSound(int(KEPT_S * sample_rate_hz), first=first)
        self._levels = RollingLevels(self._sound, sample_rate_hz=sample_rate_hz)
        self._tick = max(1, int(TICK_S * sample_rate_hz))
        self._pending: list[_Pending] = []
        self._searched_to_s = first / sample_rate_hz
        self._last_onset_s = -np.inf
        self._last_release_s = -np.inf
        self._rejected = (-np.inf, 0.0)  # onset and pitch of the last sound that was no note
        self._rises: deque[float] = deque(maxlen=25)
        self._next_release_look_s = 0.0
        self._deaf_until_s = -np.inf

    @property
    def now_s(self) -> float:
        """Time of the newest sample in the run."""
        return self._sound.stop / self.rate

    @property
    def sound(self) -> RollingSound:
        """The last seconds."""
        return self._sound

    def levels_since(self, start_s: float) -> BandLevels:
        """Band levels from a time on, as far as they are kept."""
        return self._levels.since(start_s)

    @property
    def typical_rise_db(self) -> float | None:
        """Median rise of the blows so far."""
        return float(np.median(self._rises)) if self._rises else None

    @property
    def held_from_s(self) -> float | None:
        """Onset of the key that is held now, as far as is known; ``None`` when none is."""
        if self.blow is not None:
            return self.blow.onset_s if self.blow.release_s is None else None
        return next((item.time_s for item in self._pending if item.was_announced), None)

    @property
    def expected_end_s(self) -> float | None:
        """When the present blow will be over if nothing else happens to it."""
        blow = self.blow
        if blow is None or self.wish.only_onsets:
            return None
        if blow.release_s is not None:
            return blow.release_s + self.wish.tail_s
        if self.wish.has_damper is False:
            return blow.onset_s + self.wish.hold_s + UNDAMPED_S
        return blow.onset_s + min(self.wish.hold_s + self._patience_s(blow), LONGEST_BLOW_S)

    @property
    def is_busy(self) -> bool:
        """A blow is being followed, or may have just begun."""
        return self.blow is not None or any(item.was_announced for item in self._pending)

    def be_deaf(self, seconds: float) -> None:
        """Take nothing that begins within the next seconds for a blow (a signal sounds)."""
        self._deaf_until_s = self.now_s + seconds

    def drop_blow(self) -> None:
        """Forget the blow that is being followed."""
        self.blow = None
        self._pending.clear()

    def feed(self, samples: Float32Array) -> list[Sign]:
        """Take sound in, shape (n,); say what was found in it."""
        signs: list[Sign] = []
        for first in range(0, samples.size, self._tick):
            self._sound.append(samples[first : first + self._tick])
            self._levels.update()
            if self._levels.frames == 0:
                continue
            self._search(signs)
            self._weigh(signs)
            self._follow(signs)
        return signs

    def finish(self) -> list[Sign]:
        """End the blow that is being followed: no sound comes any more."""
        signs: list[Sign] = []
        while self._pending and self.now_s - self._pending[0].time_s >= CUT_EVIDENCE_S:
            self._decide(self._pending.pop(0), None, signs)
        self._pending.clear()
        if self.blow is not None:
            self._end(self.now_s, signs, is_cut=True)
        return signs

    def _search(self, signs: list[Sign]) -> None:
        """Find new onsets."""
        recent = self._levels.last(SEARCH_S)
        if recent.times_s.size < 12:
            return
        times, rises = find_candidates(recent, floor=self._levels.floor)
        until_s = self._levels.end_s - CANDIDATE_AGE_S
        typical = self.typical_rise_db
        least = max(LEAST_RISE_DB, TYPICAL_SHARE * typical if typical else 0.0)
        for t, rise in zip(times.tolist(), rises.tolist(), strict=True):
            if not self._searched_to_s < t <= until_s:
                continue
            self._searched_to_s = t + 0.5 * LEAST_SPACING_S
            if rise < least or t < self._deaf_until_s:
                continue
            self._add_candidate(t, rise, signs)

    def _add_candidate(self, time_s: float, rise_db: float, signs: list[Sign]) -> None:
        near = [(p.time_s, p.rise_db) for p in self._pending]
        if self.blow is not None:
            near.append((self.blow.onset_s, self.blow.rise_db))
        if any(0 <= time_s - t < ECHO_S and rise_db < ECHO_SHARE * r for t, r in near):
            return
        if self.wish.only_onsets and self.blow is not None:
            if rise_db >= REPEATED_RISE_DB:
                self.blow.onsets_s.append(self._placed(time_s))
            return
        item = _Pending(time_s=time_s, rise_db=rise_db)
        self._pending.append(item)
        typical = self.typical_rise_db
        strong = STRONG_RISE_DB if typical is None else min(STRONG_RISE_DB, STRONG_SHARE * typical)
        if rise_db >= strong and self.blow is None:
            item.was_announced = True
            signs.append(BlowStarted(onset_s=time_s))

    def _weigh(self, signs: list[Sign]) -> None:
        """Gather the evidence of onsets that are old enough or followed by another."""
        while self._pending:
            item = self._pending[0]
            following = next(
                (
                    other.time_s
                    for other in self._pending[1:]
                    if other.rise_db >= 0.5 * item.rise_db
                ),
                None,
            )
            age_s = self.now_s - item.time_s
            if following is None and age_s < EVIDENCE_S + 0.02:
                return
            if following is not None and age_s < CUT_EVIDENCE_S:
                return
            del self._pending[0]
            self._decide(item, following, signs)

    def _decide(self, item: _Pending, following_s: float | None, signs: list[Sign]) -> None:
        onset_s = self._placed(item.time_s)
        lead_s = 0.6
        first = max(self._sound.start, int((onset_s - lead_s) * self.rate))
        samples = self._sound.between(first, self._sound.stop)
        at_s = onset_s - first / self.rate
        evidence = gather_evidence(
            samples - samples.mean(),
            sample_rate_hz=self.rate,
            onset_s=at_s,
            before_s=min(onset_s - self._last_onset_s, lead_s + 1.0),
            after_s=(following_s if following_s is not None else self.now_s) - onset_s,
        )
        sounding = None
        if self.blow is not None and self.blow.heard is not None:
            sounding = self.blow.heard.midi
        heard = self._recogniser.hear(evidence, expected=self.wish.expected, sounding=sounding)
        blow = self.blow
        is_knock = (
            blow is not None
            and heard.midi not in self._likely(blow)
            and heard.support < SECOND_SUPPORT
        )
        if heard.midi is None or is_knock:
            self._take_noise(onset_s, item, signs)
            if blow is None:
                self._rejected = (onset_s, heard.pitch)
            return
        if blow is not None and self._is_second_blow(blow, heard, onset_s):
            blow.second_onsets_s.append(onset_s)
            return
        if blow is not None:
            self._end(onset_s - 0.008, signs, is_cut=True)
        self._last_onset_s = onset_s
        self._rises.append(item.rise_db)
        self.blow = ActiveBlow(
            onset_s=onset_s, rise_db=item.rise_db, heard=heard, onsets_s=[onset_s]
        )
        before_s, before_pitch = self._rejected
        if onset_s - before_s < BOUNCE_S and abs(heard.pitch - before_pitch) < SAME_PITCH:
            # The first blow was not told from noise because the second came into it at once.
            self.blow.onset_s = before_s
            self.blow.second_onsets_s.append(onset_s)
        if self.wish.only_onsets:
            self.blow.onsets_s += [self._placed(other.time_s) for other in self._pending]
            self._pending.clear()
        if not item.was_announced:
            signs.append(BlowStarted(onset_s=onset_s))
        signs.append(BlowNamed(onset_s=onset_s, heard=heard))

    def _likely(self, blow: ActiveBlow) -> tuple[int, ...]:
        """Keys that may be struck next while a blow sounds, though little speaks for them."""
        heard = blow.heard.midi if blow.heard is not None else None
        return tuple(key for key in self.wish.expected if key != heard)

    def _is_second_blow(self, blow: ActiveBlow, heard: Heard, onset_s: float) -> bool:
        """Tell a second blow within one hold from the next blow on the same key."""
        if blow.heard is None or heard.midi != blow.heard.midi:
            return False
        if blow.release_s is not None and blow.release_s < onset_s - 0.03:
            return False
        return onset_s - blow.onset_s < max(0.8 * self.wish.hold_s, 0.25)

    def _take_noise(self, onset_s: float, item: _Pending, signs: list[Sign]) -> None:
        typical = self.typical_rise_db
        is_loud = item.rise_db >= max(NOISE_RISE_DB, NOISE_SHARE * typical if typical else 0.0)
        if self.blow is not None:
            if is_loud and onset_s > self.blow.onset_s + QUIET_S:
                self.blow.noises_s.append(onset_s)
        elif abs(onset_s - self._last_release_s) > THUMP_S and (item.was_announced or is_loud):
            signs.append(NotANote(onset_s=onset_s))

    def _placed(self, time_s: float) -> float:
        """Place an onset to the millisecond, in s of the run."""
        first = max(self._sound.start, int((time_s - 0.3) * self.rate))
        samples = self._sound.between(first, int((time_s + 0.1) * self.rate))
        near_s = time_s - first / self.rate
        placed = place_onset(
            samples, sample_rate_hz=self.rate, near_s=near_s, earliest_s=max(0.0, near_s - 0.045)
        )
        return placed + first / self.rate

    def _follow(self, signs: list[Sign]) -> None:
        """See whether the present blow was let go or is over."""
        blow, now_s = self.blow, self.now_s
        if blow is None:
            return
        age_s = now_s - blow.onset_s
        if self.wish.only_onsets:
            if now_s - blow.onsets_s[-1] >= self.wish.rest_s or age_s >= LONGEST_BLOW_S:
                self._end(now_s, signs, is_cut=False)
            return
        if blow.release_s is None and self.wish.has_damper is not False:
            self._look_for_release(blow, signs)
        end_s = self.expected_end_s
        assert end_s is not None
        if now_s >= end_s:
            self._end(end_s, signs, is_cut=False)
        elif blow.release_s is None and self._has_died(blow):
            self._end(now_s, signs, is_cut=False)

    def _patience_s(self, blow: ActiveBlow) -> float:
        """How long a release is waited for after the wanted hold."""
        midi = blow.heard.midi if blow.heard is not None else None
        is_sure = self.wish.has_damper is True or (midi is not None and midi <= SURE_DAMPER_MIDI)
        return UNSEEN_RELEASE_S if is_sure else UNSURE_RELEASE_S

    def _look_for_release(self, blow: ActiveBlow, signs: list[Sign]) -> None:
        now_s = self._levels.end_s
        if now_s < self._next_release_look_s or now_s - blow.onset_s < RELEASE_FROM_S + 0.2:
            return
        self._next_release_look_s = now_s + RELEASE_EVERY_S
        typical = self.typical_rise_db or STRONG_RISE_DB
        if any(item.rise_db >= STRONG_SHARE * typical for item in self._pending):
            return  # another blow, perhaps
        start_s = max(blow.onset_s + RELEASE_FROM_S, now_s - RELEASE_WINDOW_S)
        moment_s = self._drop_since(start_s, now_s)
        others = [*blow.second_onsets_s, *blow.noises_s, *(item.time_s for item in self._pending)]
        for other_s in others:
            # What falls after a knock is the knock; the damper's own thump comes with the fall.
            if moment_s is not None and AT_ONCE_S < moment_s - other_s < KNOCK_S:
                moment_s = self._drop_since(max(start_s, other_s + RELEASE_FROM_S), now_s)
        if moment_s is None or now_s - moment_s < RELEASE_AGE_S:
            return
        blow.release_s = moment_s
        signs.append(LetGo(release_s=moment_s))

    def _drop_since(self, start_s: float, end_s: float) -> float | None:
        """Moment at which all bands fall at once, in s of the run."""
        levels = self._levels.since(start_s)
        moment = find_drop(
            levels.times_s - start_s,
            levels.power,
            noise_power=self._levels.floor,
            t_start_s=0.0,
            t_end_s=end_s - start_s,
        )
        return None if moment is None else start_s + moment

    def _has_died(self, blow: ActiveBlow) -> bool:
        if self.now_s - blow.onset_s < 0.5:
            return False
        recent = self._levels.last(DIED_S).power.mean(axis=1)
        return bool(np.all(recent < 10.0 ** (DIED_DB / 10.0) * self._levels.floor))

    def _end(self, end_s: float, signs: list[Sign], *, is_cut: bool) -> None:
        blow = self.blow
        assert blow is not None
        self.blow = None
        release = blow.release_s
        if release is not None:
            self._last_release_s = release
            blow.noises_s = [t for t in blow.noises_s if abs(t - release) > THUMP_S]
        signs.append(BlowEnded(blow=blow, end_s=end_s, is_cut=is_cut))
