"""How are quantities and findings said to a person?

The one place where a number and its uncertainty become text, for terminal, sheet and screen alike,
and where the words for flags, raised notes and causes are kept.

Conventions: the part after ± is twice the standard error (`COVERAGE`), so that about 19 of 20 such
ranges hold the true value; it has one significant digit, or two when the first is 1, and the value
has as many decimals. What could not be measured is said as "not measured".

Functions: `quantity_text`, `decimals_for`, `note_list_text`, `duration_text`, `flag_text`,
`raised_text`, `raised_reason`, `cause_text`, `plain_text`, `as_read`, `unit_as_read`,
`percent_change`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from toneapp.pitch import note_name
from toneapp.results import Cause, Flag, NoteResult, Raised

__all__ = [
    "COVERAGE",
    "LN_RATIO",
    "NOT_MEASURED",
    "as_read",
    "cause_text",
    "decimals_for",
    "duration_text",
    "flag_text",
    "note_list_text",
    "percent_change",
    "plain_text",
    "quantity_text",
    "raised_reason",
    "raised_text",
    "subject_text",
    "unit_as_read",
]

COVERAGE = 2.0
"""Standard errors on either side of a value (about 95 % for a normal distribution)."""

NOT_MEASURED = "not measured"

LN_RATIO = "ln ratio"
"""Unit of a difference of logarithms, as results and JSON carry it; people read per cent."""

_MINUS = "\N{MINUS SIGN}"
_PLUS_MINUS = "\N{PLUS-MINUS SIGN}"
_EN_DASH = "\N{EN DASH}"
_MULTIPLY = "\N{MULTIPLICATION SIGN}"

_FLAGS = {
    Flag.CLIPPED: "too loud for the input: the attack is cut off at full scale",
    Flag.QUIET: "hardly louder than the room noise",
    Flag.UNEXPECTED: "fits no expected note",
    Flag.DOUBLE_BLOW: "a second blow on the same key before it was let go",
    Flag.LABEL_GIVEN: "named by hand",
    Flag.BOUNDS_GIVEN: "its beginning or its end was set by hand",
    Flag.NOTE_UNCERTAIN: "the sound does not tell one note from another for certain",
    Flag.NO_PITCH: "no series of partials found",
    Flag.FEW_PARTIALS: "too few partials for an inharmonicity of its own",
    Flag.F1_INFERRED: "first partial not heard; f1 follows from the others",
    Flag.SERIES_RESIDUAL: "partials scatter about the series by more than 2 cents",
    Flag.NO_RELEASE: "no damper heard",
    Flag.RELEASE_ASSUMED: "damper not heard at work; taken where the neighbours were let go",
    Flag.CUT_SHORT: "the next strike or the end of the recording came before it had died away",
    Flag.HOLD_TOO_SHORT: "held too short for its decay",
    Flag.SINGLE_STAGE: "decays in one stage, without an aftersound of its own",
    Flag.NOISE_HIDES_DECAY: "the room noise hides the decay too early",
    Flag.NOISE_HIDES_KNOCK: "the room noise hides the knock of the blow",
    Flag.NOISE_HIDES_RING: "the room noise hides what rings on",
    Flag.ROOM_HIDES_DAMPING: "the room hides how fast the damper stops the note",
    Flag.RATE_LIMITS_BAND: "the sampling rate is too low for it",
    Flag.BEATS_UNRESOLVED: "held too short to tell a beat",
    Flag.TOO_FEW_STRIKES: "needs more strikes on the same note",
    Flag.FEWER_BLOWS: "has fewer strikes than most notes; judged by the rounds they belong to",
    Flag.TOO_FEW_NOTES: "needs more notes for a trend over the keyboard",
    Flag.DEFAULT_BLOW_SLOPE: "blow correction from usual values, not from this run",
    Flag.NO_ATTACK_WINDOW: "too short to see the attack",
}

_RAISED = {
    Raised.BRIGHT: "too bright",
    Raised.DULL: "too dull",
    Raised.LOUD: "too loud",
    Raised.SOFT: "too soft",
    Raised.SHORT: "dies away faster",
    Raised.LONG: "sounds on longer",
}

_CAUSES = {
    Cause.OWN_DAMPER: "its own damper leaks",
    Cause.OTHER_DAMPER: "the damper of another string leaks",
    Cause.UNDAMPED: "a string without damper answers",
    Cause.NO_KEY: "no string of a key (a length behind the bridge, or the case)",
}

_PLAIN = str.maketrans(
    {
        _MINUS: "-",
        _PLUS_MINUS: "+/-",
        _EN_DASH: "-",
        _MULTIPLY: "x",
        "\N{HORIZONTAL ELLIPSIS}": "...",
    }
)


def decimals_for(uncertainty: float) -> int:
    """Decimals that show an uncertainty with one digit, or two when the first is 1.

    Parameters
    ----------
    uncertainty : float
        Greater than 0, in the unit of the value.

    Returns
    -------
    int
        From 0 to 9.

    Examples
    --------
    >>> decimals_for(0.031), decimals_for(0.13), decimals_for(25.0)
    (2, 2, 0)
    """
    exponent = math.floor(math.log10(uncertainty))
    if round(uncertainty / 10.0**exponent, 9) < 2:
        exponent -= 1
    return min(max(-exponent, 0), 9)


def quantity_text(
    value: float | None,
    unit: str,
    *,
    se: float | None = None,
    decimals: int = 1,
    is_signed: bool = False,
) -> str:
    """Say a quantity with its unit and, where it is known, its uncertainty.

    Parameters
    ----------
    value : float or None
        In `unit`; None is said as "not measured".
    unit : str
        Such as "dB"; may be empty.
    se : float or None
        Standard error, in the same unit, >= 0.
    decimals : int
        Most decimals to show, and the decimals when no standard error is given.
    is_signed : bool
        Write a plus before positive values, for distances and differences.

    Returns
    -------
    str

    Examples
    --------
    >>> quantity_text(-11.234, "cents", se=0.21, is_signed=True)
    '−11.2 ± 0.4 cents'
    >>> quantity_text(None, "s")
    'not measured'
    """
    if value is None:
        return NOT_MEASURED
    uncertainty = None if se is None else COVERAGE * se
    if uncertainty is not None and uncertainty > 0:
        decimals = min(decimals, decimals_for(uncertainty))
    text = _number_text(value, decimals, is_signed=is_signed)
    if uncertainty is not None:
        smallest = 10.0**-decimals
        if 0 < uncertainty < smallest / 2:
            text += f" {_PLUS_MINUS} less than {smallest:.{decimals}f}"
        else:
            text += f" {_PLUS_MINUS} {uncertainty:.{decimals}f}"
    return f"{text} {unit}".rstrip()


def _number_text(value: float, decimals: int, *, is_signed: bool) -> str:
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0.0:
        return text
    if value < 0:
        return _MINUS + text
    return f"+{text}" if is_signed else text


def duration_text(duration_s: float) -> str:
    """Say a length of time of a recording.

    Examples
    --------
    >>> duration_text(305.2), duration_text(7.31), duration_text(7265.0)
    ('5 min 5 s', '7.3 s', '2 h 1 min')
    """
    if duration_s < 59.95:
        return f"{duration_s:.1f} s"
    whole_s = round(duration_s)
    if whole_s < 3600:
        return f"{whole_s // 60} min {whole_s % 60} s"
    minutes = round(duration_s / 60)
    return f"{minutes // 60} h {minutes % 60} min"


def note_list_text(midis: Iterable[int]) -> str:
    """Name notes, with unbroken stretches of three and more drawn together.

    Examples
    --------
    >>> note_list_text([60, 21, 22, 23, 24])
    'A0–C1, C4'
    """
    stretches: list[list[int]] = []
    for midi in sorted(set(midis)):
        if stretches and midi == stretches[-1][-1] + 1:
            stretches[-1].append(midi)
        else:
            stretches.append([midi])
    words: list[str] = []
    for stretch in stretches:
        if len(stretch) >= 3:
            words.append(f"{note_name(stretch[0])}{_EN_DASH}{note_name(stretch[-1])}")
        else:
            words += [note_name(midi) for midi in stretch]
    return ", ".join(words)


def flag_text(flag: Flag) -> str:
    """Say why a value is missing or doubtful."""
    return _FLAGS[flag]


def raised_text(raised: Raised) -> str:
    """Say in what way a note leaves the trend."""
    return _RAISED[raised]


def cause_text(cause: Cause) -> str:
    """Say why a string sounds after the release."""
    return _CAUSES[cause]


def subject_text(subject: str) -> str:
    """Name what an entry of a worklist is about, in a word or two.

    Parameters
    ----------
    subject : str
        A value of `Raised` or `Cause`.

    Examples
    --------
    >>> subject_text("own_damper"), subject_text("bright")
    ('own damper', 'bright')
    """
    return subject.replace("_", " ")


def raised_reason(note: NoteResult, raised: Raised) -> str:
    """Say how far a raised note leaves the trend, with the uncertainty.

    Parameters
    ----------
    note : NoteResult
        A note of the run.
    raised : Raised
        One of its ways of leaving the trend.

    Returns
    -------
    str
        Such as "brightness −0.31 ± 0.06 octaves from the trend".
    """
    if raised in (Raised.BRIGHT, Raised.DULL):
        size = quantity_text(
            note.brightness_residual, "octaves", se=note.brightness_se, decimals=2, is_signed=True
        )
        return f"brightness {size} from the trend"
    if raised in (Raised.LOUD, Raised.SOFT):
        size = quantity_text(note.level_residual_db, "dB", se=note.level_se, is_signed=True)
        return f"level {size} from the trend"
    return f"decay time {_decay_text(note)} from the trend"


def _decay_text(note: NoteResult) -> str:
    """Distance of a decay time from its trend; the error is that of the logarithm, carried on."""
    if note.prompt_t60_residual is None:
        return NOT_MEASURED
    change = percent_change(note.prompt_t60_residual)
    se = None if note.prompt_t60_se is None else (100.0 + change) * note.prompt_t60_se
    return quantity_text(change, "%", se=se, decimals=0, is_signed=True)


def percent_change(ln_ratio: float) -> float:
    """Turn the natural logarithm of a ratio into a change in per cent.

    Examples
    --------
    >>> round(percent_change(-0.6931472), 3)
    -50.0
    """
    return 100.0 * math.expm1(ln_ratio)


def as_read(value: float, unit: str) -> tuple[float, str]:
    """Turn a difference into the number and the unit that a person reads.

    Parameters
    ----------
    value : float
        Or an end of its interval.
    unit : str
        A difference in `LN_RATIO` is read in per cent, any other as it is.

    Examples
    --------
    >>> as_read(0.0, "ln ratio"), as_read(1.5, "dB")
    ((0.0, '%'), (1.5, 'dB'))
    """
    return (percent_change(value) if unit == LN_RATIO else value), unit_as_read(unit)


def unit_as_read(unit: str) -> str:
    """Unit in which a person reads a difference."""
    return "%" if unit == LN_RATIO else unit


def plain_text(text: str) -> str:
    """Replace the signs that not every terminal can show.

    Examples
    --------
    >>> plain_text("−0.3 ± 0.1 dB")
    '-0.3 +/- 0.1 dB'
    """
    return text.translate(_PLAIN)
