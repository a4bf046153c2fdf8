"""What is said about one key: its strikes side by side, its partials, what rings on after it?

View data without Qt; all numbers are put into words by `toneapp.wording`.

Classes and functions: `StrikeTable`, `StrikeRow`, `Cell`, `strike_table`, `strike_name`,
`note_heading`, `missing_reasons`, `partial_texts`, `echo_text`, `echo_texts`, `struck_keys`,
`nearest_strike`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from toneapp.pitch import note_name
from toneapp.results import EchoString, Flag, NoteResult, PartialResult, RunResult, StrikeResult
from toneapp.wording import (
    COVERAGE,
    NOT_MEASURED,
    cause_text,
    flag_text,
    quantity_text,
    raised_reason,
    raised_text,
)

__all__ = [
    "PARTIAL_HEADS",
    "Cell",
    "StrikeRow",
    "StrikeTable",
    "echo_text",
    "echo_texts",
    "missing_reasons",
    "nearest_strike",
    "note_heading",
    "partial_texts",
    "strike_name",
    "strike_table",
    "struck_keys",
]

_SERIES = (Flag.NO_PITCH, Flag.NOTE_UNCERTAIN)
_DECAY = (Flag.NO_PITCH, Flag.HOLD_TOO_SHORT, Flag.NOISE_HIDES_DECAY, Flag.CUT_SHORT)
_AFTER = (Flag.NO_PITCH, Flag.SINGLE_STAGE, *_DECAY[1:])
_BEATS = (Flag.NO_PITCH, Flag.BEATS_UNRESOLVED, Flag.HOLD_TOO_SHORT, Flag.CUT_SHORT)
_RING = (Flag.NO_RELEASE, Flag.RELEASE_ASSUMED, Flag.NOISE_HIDES_RING, Flag.CUT_SHORT)
_DAMPED = (*_RING, Flag.ROOM_HIDES_DAMPING)
_SOUND = (Flag.CUT_SHORT, Flag.QUIET, Flag.CLIPPED, Flag.RATE_LIMITS_BAND)
_ATTACK = (Flag.NO_PITCH, Flag.NO_ATTACK_WINDOW, Flag.RATE_LIMITS_BAND)
_KNOCK = (Flag.NOISE_HIDES_KNOCK, *_ATTACK)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One value in words."""

    text: str
    tip: str = ""  # the reason, where it is missing
    is_missing: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeRow:
    """One quantity over all strikes on a key."""

    name: str
    sentence: str  # one plain sentence: what it is
    cells: tuple[Cell, ...]  # all strikes together first, then each


@dataclass(frozen=True, slots=True, kw_only=True)
class StrikeTable:
    """Strikes on one key side by side."""

    heads: tuple[str, ...]
    rows: tuple[StrikeRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quantity:
    name: str
    unit: str
    sentence: str
    of_strike: Callable[[StrikeResult], str]
    of_note: Callable[[NoteResult], str]
    reasons: tuple[Flag, ...]


def _nothing(_note: NoteResult) -> str:
    return ""


def _ring_text(strike: StrikeResult) -> str:
    text = quantity_text(strike.ring_level_db, "")
    is_limit = strike.ring_level_is_limit and strike.ring_level_db is not None
    return f"less than {text}" if is_limit else text


def _beat_text(strike: StrikeResult) -> str:
    text = quantity_text(strike.beat_hz, "", decimals=2)
    if strike.beat_hz is None or strike.beat_depth_db is None:
        return text
    return f"{text} ({quantity_text(strike.beat_depth_db, '', decimals=0)})"


def _b_text(value: float | None, se: float | None) -> str:
    """Say B in ten-thousandths, which takes less room."""
    if value is None:
        return NOT_MEASURED
    return quantity_text(1e4 * value, "", se=None if se is None else 1e4 * se, decimals=2)


_QUANTITIES = (
    _Quantity(
        name="Level", unit="dB", reasons=_SOUND,
        sentence="A-weighted energy of the first half second, in dB.",
        of_strike=lambda s: quantity_text(s.level_db, ""),
        of_note=lambda n: quantity_text(n.level_db, "", se=n.level_se),
    ),
    _Quantity(
        name="Loudness", unit="LKFS", reasons=_SOUND,
        sentence="Loudest 0.4 s after ITU-R BS.1770, in LKFS.",
        of_strike=lambda s: quantity_text(s.loudness_lkfs, ""),
        of_note=_nothing,
    ),
    _Quantity(
        name="Pitch", unit="cents", reasons=_SERIES,
        sentence="Fundamental of the fitted series against equal temperament, in cents.",
        of_strike=lambda s: quantity_text(s.cents, "", se=s.cents_se, is_signed=True),
        of_note=lambda n: quantity_text(n.cents, "", se=n.cents_se, is_signed=True),
    ),
    _Quantity(
        name="Fundamental", unit="Hz", reasons=_SERIES,
        sentence="Frequency of the first partial of the fitted series, in Hz.",
        of_strike=lambda s: quantity_text(s.f1_hz, "", decimals=2),
        of_note=lambda n: quantity_text(n.f1_hz, "", decimals=2),
    ),
    _Quantity(
        name="B", unit="10⁻⁴", reasons=(*_SERIES, Flag.FEW_PARTIALS),
        sentence="Inharmonicity: how far the stiffness of the string spreads its partials, "
        "in ten-thousandths.",
        of_strike=lambda s: _b_text(s.B, s.B_se),
        of_note=lambda n: _b_text(n.B, n.B_se),
    ),
    _Quantity(
        name="Brightness", unit="oct", reasons=_ATTACK,
        sentence="Middle of the attack's sound above the fundamental, in octaves; of the note: "
        "at an even blow.",
        of_strike=lambda s: quantity_text(s.brightness, "", se=s.brightness_se, decimals=2),
        of_note=lambda n: quantity_text(n.brightness, "", se=n.brightness_se, decimals=2),
    ),
    _Quantity(
        name="Place, level", unit="dB", reasons=(),
        sentence="What room and microphone add to the level of this key, as far as the keys "
        "that share its frequencies tell, in dB. It is taken off the level of the note.",
        of_strike=lambda s: quantity_text(s.place_db, "", se=s.place_db_se, is_signed=True),
        of_note=lambda n: quantity_text(
            n.level_place_db, "", se=n.level_place_se, is_signed=True
        ),
    ),
    _Quantity(
        name="Place, brightness", unit="oct", reasons=(),
        sentence="What room, microphone and single strong partials add to the brightness of this "
        "key, in octaves. It is taken off the brightness of the note.",
        of_strike=lambda s: quantity_text(
            s.place_oct, "", se=s.place_oct_se, decimals=2, is_signed=True
        ),
        of_note=lambda n: quantity_text(
            n.brightness_place_oct, "", se=n.brightness_place_se, decimals=2, is_signed=True
        ),
    ),
    _Quantity(
        name="Sharpness", unit="acum", reasons=_SOUND,
        sentence="Sharpness after DIN 45692, in acum.",
        of_strike=lambda s: quantity_text(s.sharpness_acum, "", decimals=2),
        of_note=_nothing,
    ),
    _Quantity(
        name="Knock", unit="dB", reasons=_KNOCK,
        sentence="What is no partial in the first 50 ms, relative to the partials, in dB.",
        of_strike=lambda s: quantity_text(s.knock_db, ""),
        of_note=lambda n: quantity_text(n.knock_db, ""),
    ),
    _Quantity(
        name="Prompt decay", unit="s", reasons=_DECAY,
        sentence="Seconds in which the prompt sound would fall by 60 dB.",
        of_strike=lambda s: quantity_text(s.prompt_t60_s, "", se=s.prompt_t60_s_se),
        of_note=lambda n: quantity_text(n.prompt_t60_s, ""),
    ),
    _Quantity(
        name="Aftersound", unit="s", reasons=_AFTER,
        sentence="Seconds in which the aftersound would fall by 60 dB.",
        of_strike=lambda s: quantity_text(s.after_t60_s, "", se=s.after_t60_s_se),
        of_note=lambda n: quantity_text(n.after_t60_s, ""),
    ),
    _Quantity(
        name="Sustain", unit="s", reasons=_DECAY,
        sentence="Seconds from the strike until the level has fallen by 20 dB.",
        of_strike=lambda s: quantity_text(s.sustain_20db_s, "", decimals=2),
        of_note=lambda n: quantity_text(n.sustain_20db_s, "", decimals=2),
    ),
    _Quantity(
        name="Beats", unit="Hz (dB)", reasons=_BEATS,
        sentence="Rate in Hz and depth in dB at which the strings of the note beat.",
        of_strike=_beat_text,
        of_note=_nothing,
    ),
    _Quantity(
        name="Unison", unit="cents", reasons=_BEATS,
        sentence="How far the strings of the note lie apart, in cents.",
        of_strike=lambda s: quantity_text(s.unison_spread_cents, "", decimals=2),
        of_note=_nothing,
    ),
    _Quantity(
        name="Damped decay", unit="s", reasons=_DAMPED,
        sentence="Seconds in which the note would fall by 60 dB once it is let go.",
        of_strike=lambda s: quantity_text(s.damped_t60_s, "", se=s.damped_t60_s_se, decimals=2),
        of_note=lambda n: quantity_text(n.damped_t60_s, "", se=n.damped_t60_s_se, decimals=2),
    ),
    _Quantity(
        name="Ring-on", unit="dB", reasons=_RING,
        sentence="Level half a second after the release, relative to just before it, in dB.",
        of_strike=_ring_text,
        of_note=lambda n: quantity_text(n.ring_level_db, ""),
    ),
)  # fmt: skip


def strike_table(strikes: Sequence[StrikeResult], note: NoteResult | None) -> StrikeTable:
    """Lay the strikes on a key side by side.

    Parameters
    ----------
    strikes : sequence of StrikeResult
        In the order of the recording.
    note : NoteResult or None
        All of them together.

    Returns
    -------
    StrikeTable
        The first column is the note, then one a strike. What was not measured is said so, with
        the reason as its tip.
    """
    heads = ("Note", *(strike_name(at, strike) for at, strike in enumerate(strikes)))
    rows = []
    for quantity in _QUANTITIES:
        cells = [_note_cell(quantity, note)]
        cells += [
            _cell(quantity.of_strike(strike), strike.flags, quantity.reasons) for strike in strikes
        ]
        rows.append(
            StrikeRow(
                name=f"{quantity.name}, {quantity.unit}",
                sentence=quantity.sentence,
                cells=tuple(cells),
            )
        )
    return StrikeTable(heads=heads, rows=tuple(rows))


def strike_name(at: int, strike: StrikeResult) -> str:
    """Name a strike by its place among the others and its time.

    Examples
    --------
    >>> strike_name(0, StrikeResult(midi=60, note="C4", onset_s=71.3, end_s=73.0))
    'Strike 1, at 71.3 s'
    """
    return f"Strike {at + 1}, at {quantity_text(strike.onset_s, 's')}"


def note_heading(note: NoteResult | None, midi: int) -> str:
    """Say in what way a note leaves the trend, by how much, or that it does not."""
    if note is None:
        return f"{note_name(midi)} was not struck in this run" if midi else ""
    if note.raised:
        return "; ".join(f"{raised_text(way)}: {raised_reason(note, way)}" for way in note.raised)
    if note.level_residual_db is None and note.brightness_residual is None:
        reasons = "; ".join(flag_text(flag) for flag in note.flags)
        return f"not judged{': ' if reasons else ''}{reasons}"
    return "fits the instrument's own trend"


def missing_reasons(strike: StrikeResult) -> tuple[str, ...]:
    """Say what is missing or doubtful at a strike, each once."""
    return tuple(dict.fromkeys(flag_text(flag) for flag in strike.flags))


PARTIAL_HEADS = (
    ("No.", "Number of the partial; the first is the fundamental"),
    ("Hz", "Frequency as measured, in Hz, with ± twice the standard error from 0.001 Hz on"),
    ("dB", "Level soon after the strike, in dB below full scale"),
    ("Cents", "Measured minus fitted series, in cents"),
    ("Prompt, s", "Time the partial's prompt sound would take to fall by 60 dB, in s"),
    ("After, s", "Time the partial's aftersound would take to fall by 60 dB, in s"),
    ("Beat, Hz", "Beat rate in Hz, and its depth in dB"),
)


@lru_cache(maxsize=512)
def partial_texts(partial: PartialResult) -> tuple[str, ...]:
    """Say one partial in the columns of `PARTIAL_HEADS`; what was not measured is a dash."""
    beat = _short(partial.beat_hz, decimals=2)
    if partial.beat_hz is not None and partial.beat_depth_db is not None:
        beat += f" ({quantity_text(partial.beat_depth_db, 'dB', decimals=0)})"
    return (
        str(partial.n),
        quantity_text(partial.hz, "", se=_shown_se(partial.hz_se), decimals=3),
        quantity_text(partial.level_db, ""),
        _short(partial.cents_from_fit, decimals=1, is_signed=True),
        _short(partial.prompt_t60_s, decimals=1),
        _short(partial.after_t60_s, decimals=1),
        beat,
    )


def _shown_se(se_hz: float | None) -> float | None:
    """Leave out an error that would be 0.000 in the column."""
    return None if se_hz is None or COVERAGE * se_hz < 0.0005 else se_hz


def _short(value: float | None, *, decimals: int, is_signed: bool = False) -> str:
    """Say a value in a narrow table; the head of the column names unit and sign of the dash."""
    if value is None:
        return "\N{EN DASH}"
    return quantity_text(value, "", decimals=decimals, is_signed=is_signed)


def echo_text(echo: EchoString) -> str:
    """Name an echo string in a drawing, such as "E5 ×2"."""
    if echo.midi is None:
        return "no key"
    name = note_name(echo.midi)
    if echo.partial is None or echo.partial == 1:
        return name
    return f"{name} \N{MULTIPLICATION SIGN}{echo.partial}"


def echo_texts(strike: StrikeResult) -> tuple[str, ...]:
    """Say each echo string in one line, loudest first; or why there is none to tell of."""
    lines = []
    for echo in sorted(strike.ringing, key=lambda item: -item.level_db):
        parts = [
            f"{echo_text(echo)} at {quantity_text(echo.hz, 'Hz', se=echo.hz_se, decimals=2)}",
            f"{quantity_text(echo.level_db, 'dB')} against the blow",
        ]
        if echo.t60_s is not None:
            parts.append(f"T60 {quantity_text(echo.t60_s, 's')}")
        parts.append(cause_text(echo.cause))
        if echo.alternatives:
            others = ", ".join(
                f"{note_name(item.midi)} \N{MULTIPLICATION SIGN}{item.partial}"
                for item in echo.alternatives
            )
            parts.append(f"could also be {others}")
        lines.append(", ".join(parts))
    if lines:
        return tuple(lines)
    if strike.release_s is None:
        return (f"After the release: {NOT_MEASURED}, {flag_text(Flag.NO_RELEASE)}",)
    hidden = [flag_text(flag) for flag in strike.flags if flag in _RING]
    return (f"No echo string was heard{': ' if hidden else ''}{'; '.join(hidden)}",)


def struck_keys(run: RunResult) -> tuple[int, ...]:
    """Keys that were struck in a run, upward."""
    return tuple(sorted({strike.midi for strike in run.strikes}))


def nearest_strike(strike: StrikeResult, others: Sequence[StrikeResult]) -> StrikeResult | None:
    """Strike of another run that is most like one in loudness; None when there is none."""
    if not others:
        return None
    loudness = strike.loudness_lkfs
    known = [other for other in others if other.loudness_lkfs is not None]
    if loudness is None or not known:
        return others[0]
    return min(known, key=lambda other: abs((other.loudness_lkfs or 0.0) - loudness))


def _note_cell(quantity: _Quantity, note: NoteResult | None) -> Cell:
    if note is None or quantity.of_note is _nothing:
        return Cell(text="", tip="Given for each strike only")
    return _cell(quantity.of_note(note), note.flags, quantity.reasons)


def _cell(text: str, flags: Sequence[Flag], reasons: Sequence[Flag]) -> Cell:
    if text != NOT_MEASURED:
        return Cell(text=text)
    found = [flag_text(flag) for flag in flags if flag in reasons]
    return Cell(
        text=text,
        tip=f"{NOT_MEASURED}: {'; '.join(found)}" if found else NOT_MEASURED,
        is_missing=True,
    )
