"""What is each part of the accuracy report taken on, and why are goals missed that are missed?

Functions: `about`, `reason`.
"""

from __future__ import annotations

__all__ = ["about", "reason"]

_ABOUT = {
    "Strikes": (
        "All strikes of whole keyboards played by the simulated piano, paired with the true ones "
        "within 80 ms."
    ),
    "Pitch": (
        "Errors against the series fitted to the true partials. The partials of the simulated "
        "piano scatter about the law of the stiff string as real ones do, so the row with the "
        "partials that were counted shows what is left when that is taken out."
    ),
    "Standard errors": (
        "Spread of the error over the stated standard error: 1 when the stated ones are right, "
        "above 1 when they are too small, below 1 when they are too large."
    ),
    "Decay": "Against the true decay of the key held for ever; the hold shows its beginning.",
    "Ring-on": (
        "Short detached blows. The truth lists every string that sounds on, with its level 0.1 s "
        "after the release re the blow."
    ),
    "Hammers": (
        "Correlation (Pearson) of the blow-corrected brightness residuals with the hardness that "
        "the hammers were given. Beside it: true level and centroid of every strike put through "
        "the same judgement (which has less to go by than the sound itself), and the ceiling of "
        "the best linear guess from level and centroid, trend and slopes known."
    ),
    "Raised notes": (
        "Where faults are put in, eight hammers and two levels are off on each instrument. Beside "
        "it: true level and centroid put through the same judgement."
    ),
    "Untouched": (
        "Two runs of an instrument on which nobody has worked; the false-discovery rate of 5 % "
        "allows 4.4 of 88."
    ),
    "Cramer-Rao": (
        "Plain sums of damped sinusoids exactly on the series of a stiff string in white noise: "
        "root mean square error over the Cramer-Rao bound. The note gives the same for the fitted "
        "pitch and stiffness, which reckon with a scatter about the law that is not there."
    ),
    "Struck strings": (
        "Strings struck by a felt hammer, solved in the time domain by finite differences: no "
        "modal synthesis, and no code in common with the measures. The steps in time and space "
        "bend the series away from the law (C2 not, C4 by 0.1 cent, A4 by 0.5, C7 by 5 cents), so "
        "that it depends on the partials counted which line lies through it: f1 is held against "
        "the line through those that were counted."
    ),
}

_REASONS = (
    (
        "Pitch",
        "f1 error",
        "Wound and long strings leave the law, and the true series then depends on which of the "
        "partials are counted. The row with the partials that were counted, and the part with "
        "strings that keep to the law, show how much of the error is the measuring's own.",
    ),
    (
        "Hammers",
        "r of residual",
        "The part without room and noise shows how much the room takes; the ceiling what no rule "
        "that is linear in level and centroid can exceed.",
    ),
    (
        "Raised notes",
        "faulty notes",
        "The notes that were missed are named with their faults (octaves or dB) in the table of "
        "that part, beside what true level and centroid give. They are the smallest faults: room "
        "and striking points move the level of single notes by some 2 dB, and hammers of 0.4 "
        "octave change the centroid by 0.2: three standard deviations at the most.",
    ),
    (
        "Raised notes",
        "others raised",
        "Partials of the simulated soundboard scatter by 2 to 3 dB, which makes single notes "
        "truly brighter, duller, louder or softer than their neighbours without a fault put in.",
    ),
    (
        "Decay",
        "prompt T60",
        "The truth is a line of two stages through a decay that still has its slow beats; where "
        "the line lies depends on how much of it is seen. Worst in the highest octave, about "
        "20 %, where the prompt sound lasts a few tenths of a second. Two stages that are "
        "formulas are read within 4 % (tests/signal/test_decay.py).",
    ),
    (
        "Ring-on",
        "damped T60",
        "A damper that is faster than the room is heard through the room. The decay is read "
        "beside it, by its likelihood, and not given where that leaves more than a fifth of "
        "doubt; in the treble it then rests on few partials.",
    ),
    (
        "Ring-on",
        "leaking dampers",
        "Of two strings an octave apart that both leak, the upper may pass for a partial of the "
        "lower: their lines lie within a tenth of a hertz.",
    ),
)


def about(section: str) -> str:
    """What a part of the report is taken on; empty where its name says it.

    Parameters
    ----------
    section : str
        Its name.
    """
    return next((text for start, text in _ABOUT.items() if section.startswith(start)), "")


def reason(section: str, name: str) -> str:
    """Why a goal is missed, as far as it is known.

    Parameters
    ----------
    section, name : str
        Part of the report and name of the figure.
    """
    for start, figure, text in _REASONS:
        if section.startswith(start) and figure in name:
            return text
    return "The cause is not known yet."
