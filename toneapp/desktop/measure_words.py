"""What is each measure, in one plain sentence with its unit?

The text of the help page; the values themselves are described where they are measured.

Data: `MEASURE_WORDS`, `READING_WORDS`, `WAY_WORDS`. Classes: `MeasureWords`.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["MEASURE_WORDS", "READING_WORDS", "WAY_WORDS", "MeasureWords"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureWords:
    """One measure."""

    name: str
    unit: str
    sentence: str


MEASURE_WORDS = (
    MeasureWords(
        name="Level",
        unit="dB below full scale, or dB SPL when calibrated",
        sentence="How loud the note speaks: the A-weighted energy of its first half second.",
    ),
    MeasureWords(
        name="Brightness",
        unit="octaves above the fundamental",
        sentence="Where the middle of the attack's sound lies, brought to an equal blow, so that "
        "a hard hammer shows and a hard blow does not.",
    ),
    MeasureWords(
        name="Brightness slope",
        unit="octaves per dB",
        sentence="How much brighter the note becomes with a harder blow: a hard hammer changes "
        "little, a soft core changes much.",
    ),
    MeasureWords(
        name="Sharpness",
        unit="acum",
        sentence="How sharp the attack sounds to the ear, by a standard model of hearing.",
    ),
    MeasureWords(
        name="Knock",
        unit="dB",
        sentence="The noise of the blow in the first 50 ms, against the tone itself.",
    ),
    MeasureWords(
        name="Prompt sound",
        unit="seconds to fall by 60 dB",
        sentence="The first, fast part of the decay, while the strings still move together.",
    ),
    MeasureWords(
        name="Aftersound",
        unit="seconds to fall by 60 dB",
        sentence="The second, slow part of the decay that is left when the prompt sound is gone.",
    ),
    MeasureWords(
        name="Sustain",
        unit="seconds",
        sentence="The time from the strike until the level has fallen by 20 dB.",
    ),
    MeasureWords(
        name="Pitch",
        unit="cents from equal temperament",
        sentence="The fundamental of the series of partials that fits the note best.",
    ),
    MeasureWords(
        name="Inharmonicity B",
        unit="a number without unit",
        sentence="How much the stiffness of the string spreads its partials upward.",
    ),
    MeasureWords(
        name="Beat",
        unit="beats per second (Hz), and dB deep",
        sentence="How fast and how deep a partial swells because the strings of one note differ.",
    ),
    MeasureWords(
        name="Damped decay",
        unit="seconds to fall by 60 dB",
        sentence="How fast the note's own partials stop once the damper lies on the strings.",
    ),
    MeasureWords(
        name="Ring-on",
        unit="dB against the sound just before the release",
        sentence="How much still sounds half a second after the key was let go.",
    ),
    MeasureWords(
        name="Echo string",
        unit="dB against the strike",
        sentence="Another string that sounds on after the release, named by its exact frequency.",
    ),
    MeasureWords(
        name="Unevenness",
        unit="dB or octaves",
        sentence="How far the notes stand off the instrument's own smooth trend, with the "
        "scatter of the hand taken out; smaller is more even.",
    ),
    MeasureWords(
        name="Touch scatter",
        unit="dB or octaves",
        sentence="How far blows on one and the same key differ: what the hand did.",
    ),
    MeasureWords(
        name="Friction and balance weight",
        unit="grams",
        sentence="From the weights laid on a key: half the difference of down and up weight is "
        "friction, their mean is balance weight.",
    ),
)

READING_WORDS = (
    "± stands for twice the standard error: in about 19 of 20 cases the true value lies within.",
    "“Not measured” means that the recording does not hold the value; the reason stands beside.",
    "A note is raised only when it leaves the trend by more than can be heard and by more than "
    "the blows scatter. At most about 1 in 20 raised notes is raised by chance.",
    "A measurement says which note leaves the trend, not why. The ear and the hand decide.",
)

WAY_WORDS = (
    "Place the microphone about a metre from the instrument, and leave it and the input setting "
    "alone between runs that are to be compared.",
    "For evenness, strike every key soft, medium and firm, hold it about two seconds, let go, "
    "wait a moment, and go on to the next.",
    "For ring-on, strike every key short and firm, let go, and wait two seconds in silence.",
    "Record leads through all this key by key; a recording made elsewhere can be imported.",
    "Look at the evenness, work through the list, and record once more with nothing moved.",
)
