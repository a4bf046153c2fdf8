"""When was the key let go? What the user says, the sound, and the keys about it.

Functions: `release_of`.
"""

from __future__ import annotations

from toneapp._typing import FloatArray
from toneapp.analysis.strike_task import StrikeTask
from toneapp.measure.expected_release import confirm_release, find_drop
from toneapp.measure.own_power import own_power
from toneapp.measure.release import Release, find_release
from toneapp.measure.ringing import LEAST_S
from toneapp.measure.tone import HeldTone
from toneapp.results import Flag

__all__ = ["RELEASE_FROM_S", "release_of"]

RELEASE_FROM_S = 0.05
"""Where the search for the release begins, in s from the onset: after the attack."""

LATE_S = 0.15
"""So long after the moment at which most speaks for a release, a step is none."""


def release_of(tone: HeldTone, power: FloatArray, task: StrikeTask, *, last_s: float) -> Release:
    """Find the moment the damper acts: as the user says, as heard, or as the neighbours suggest.

    Parameters
    ----------
    tone : HeldTone
        The strike's partials.
    power : ndarray, shape (k, m)
        Power of each partial over time.
    task : StrikeTask
        The strike.
    last_s : float
        End of what may be followed, in s from the onset.

    Returns
    -------
    Release
        In s from the onset; none with the reason in its flags.
    """
    given_s = task.strike.release_s
    if given_s is not None:
        return _given_release(given_s - task.strike.onset_s, last_s=last_s)
    # Speech and knocks beside the partials do not tell of the note.
    bands = tone.bands
    power = own_power(
        bands.envelopes,
        rate_hz=bands.rate_hz,
        centres_hz=bands.centres_hz,
        partial_hz=tone.peak_hz,
    )
    release = find_release(
        tone.bands.times_s,
        power,
        noise_power=tone.noise_power,
        t_start_s=RELEASE_FROM_S,
        t_end_s=last_s,
        has_damper=task.has_damper,
    )
    if release.release_s is None and task.has_damper is not False:
        drop_s = find_drop(
            tone.bands.times_s,
            power,
            noise_power=tone.noise_power,
            t_start_s=RELEASE_FROM_S,
            t_end_s=last_s,
        )
        suspected_s = release.suspected_s
        # A step long after all partials have bent together is the end of something else.
        if drop_s is not None and (suspected_s is None or drop_s <= suspected_s + LATE_S):
            release = Release(release_s=drop_s)
    return _near_expected(release, tone, power, task, last_s=last_s)


def _given_release(release_s: float, *, last_s: float) -> Release:
    """Release that the user gives; none where the next strike or the end comes before it."""
    if RELEASE_FROM_S <= release_s < last_s:
        return Release(release_s=release_s)
    return Release(flags=(Flag.NO_RELEASE,))


def _near_expected(
    release: Release, tone: HeldTone, power: FloatArray, task: StrikeTask, *, last_s: float
) -> Release:
    """Look for a release that was not seen where the neighbours' keys were let go."""
    expected_s = task.expected_hold_s
    if release.release_s is not None or expected_s is None or task.has_damper is False:
        return release
    if last_s < expected_s + LEAST_S:
        return release
    found_s = confirm_release(
        tone.bands.times_s,
        power,
        noise_power=tone.noise_power,
        expected_s=expected_s,
        end_s=last_s,
    )
    if found_s is not None:
        return Release(release_s=found_s)
    if task.may_assume_release:
        return Release(release_s=expected_s, flags=(Flag.NO_RELEASE, Flag.RELEASE_ASSUMED))
    return release
