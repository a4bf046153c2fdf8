"""How is said what rings on, and what changed?

Sentences for screen, sheet and terminal; numbers come from `toneapp.wording`.

Functions: `suspect_reason`, `echo_reason`, `cell_text`, `level_change_text`, `treble_text`,
`treble_change_text`, `trend_text`.
"""

from __future__ import annotations

from toneapp.evenness.level_change import LevelChange, Trend
from toneapp.evenness.ringing_change import TrebleChange
from toneapp.evenness.ringing_matrix import RingingCell
from toneapp.pitch import note_name
from toneapp.results import Cause, EchoSummary, Flag, RingOn, SuspectDamper
from toneapp.wording import cause_text, note_list_text, quantity_text

__all__ = [
    "cell_text",
    "echo_reason",
    "level_change_text",
    "short_change_text",
    "suspect_reason",
    "treble_change_text",
    "treble_text",
    "trend_text",
]

_TRENDS = {
    Trend.LOST: "no longer heard",
    Trend.QUIETER: "quieter",
    Trend.UNCHANGED: "as before",
    Trend.LOUDER: "louder",
    Trend.GAINED: "new",
    Trend.HIDDEN: "too weak to tell",
}


def trend_text(trend: Trend) -> str:
    """Say which way a ringing went."""
    return _TRENDS[trend]


def suspect_reason(suspect: SuspectDamper) -> str:
    """Say what speaks against a damper.

    Returns
    -------
    str
        Such as "its note dies in 2.4 s where 0.5 s is usual; its strings ring after 12 other
        keys".
    """
    parts = []
    if suspect.damped_t60_s is not None:
        parts.append(
            f"its note dies in {quantity_text(suspect.damped_t60_s, 's', decimals=2)} where "
            f"{quantity_text(suspect.usual_t60_s, 's', decimals=2)} is usual"
        )
    if suspect.ring_level_db is not None:
        parts.append(
            f"{quantity_text(suspect.ring_level_db, 'dB', decimals=0)} left 0.3 s after the "
            "release"
        )
    if suspect.heard_from:
        count = len(suspect.heard_from)
        noun = "key" if count == 1 else "keys"
        parts.append(f"its strings ring after {count} other {noun}")
    return "; ".join(parts) or "heard after other keys"


def echo_reason(echo: EchoSummary) -> str:
    """Say how loud a string is heard and from which keys."""
    count = len(echo.from_keys)
    noun = "key" if count == 1 else "keys"
    return (
        f"{cause_text(echo.cause)}; {quantity_text(echo.level_db, 'dB', decimals=0)} after "
        f"{count} {noun} ({note_list_text(echo.from_keys)}), "
        f"T60 {quantity_text(echo.t60_s, 's')}"
    )


def cell_text(cell: RingingCell) -> str:
    """Tell one string after one key in a sentence."""
    struck = note_name(cell.struck_midi)
    if cell.cause is Cause.OWN_DAMPER:
        head = f"{struck} rings on itself"
    elif cell.midi:
        head = f"{cell.note} rings after {struck}"
        if cell.partial is not None and cell.partial > 1:
            head += f" at its partial {cell.partial}"
    else:
        head = f"something at {cell.hz:.0f} Hz rings after {struck}"
    parts = [f"{head}: {quantity_text(cell.level_db, 'dB', decimals=0)}"]
    if cell.t60_s is not None:
        parts.append(f"T60 {quantity_text(cell.t60_s, 's')}")
    parts.append(cause_text(cell.cause))
    if cell.strikes > 1:
        parts.append(f"after {cell.heard} of {cell.strikes} strikes")
    if cell.alternatives:
        parts.append(f"could also be {note_list_text(cell.alternatives)}")
    return ", ".join(parts)


def short_change_text(level: LevelChange) -> str:
    """Say levels before and after in a few signs, such as "−30 → < −50 dB"."""
    before, after = (
        ("< " if is_limit else "") + quantity_text(value, "", decimals=0)
        for value, is_limit in (
            (level.before_db, level.before_is_limit),
            (level.after_db, level.after_is_limit),
        )
    )
    return f"{before} \N{RIGHTWARDS ARROW} {after} dB"


def level_change_text(level: LevelChange) -> str:
    """Say how a level went, with its interval or its bound.

    Examples
    --------
    >>> level_change_text(
    ...     LevelChange(
    ...         before_db=-30.0, after_db=-58.0, before_is_limit=False, after_is_limit=True,
    ...         difference_db=-28.0, low_db=None, high_db=-24.0, trend=Trend.LOST,
    ...     )
    ... )
    'from −30 dB to below −58 dB (at least 24 dB less)'
    """
    before = _level_text(level.before_db, is_limit=level.before_is_limit)
    after = _level_text(level.after_db, is_limit=level.after_is_limit)
    text = f"from {before} to {after}"
    if level.low_db is not None and level.high_db is not None:
        low = quantity_text(level.low_db, "", decimals=0, is_signed=True)
        high = quantity_text(level.high_db, "", decimals=0, is_signed=True)
        size = quantity_text(level.difference_db, "dB", decimals=0, is_signed=True)
        return f"{text} ({size} [{low}, {high}])"
    if level.high_db is not None and level.high_db < 0:
        return f"{text} (at least {quantity_text(-level.high_db, 'dB', decimals=0)} less)"
    if level.low_db is not None and level.low_db > 0:
        return f"{text} (at least {quantity_text(level.low_db, 'dB', decimals=0)} more)"
    return text


def _level_text(level_db: float, *, is_limit: bool) -> str:
    text = quantity_text(level_db, "dB", decimals=0)
    return f"below {text}" if is_limit else text


def treble_text(ring_on: RingOn) -> str:
    """Say the one figure of the treble: what strings without dampers add after damped keys."""
    if ring_on.treble_echo_db is None:
        return "no echo of undamped strings was heard"
    level = quantity_text(ring_on.treble_echo_db, "dB", se=ring_on.treble_echo_db_se)
    return f"{level} against the blow, over {ring_on.strikes_heard} strikes"


def treble_change_text(change: TrebleChange) -> str:
    """Say how the figure of the treble went."""
    if Flag.TOO_FEW_NOTES in change.flags:
        return f"not told: only {change.notes} damped keys in both runs"
    if change.before_db is None and change.after_db is None:
        return f"not heard in either run, over {change.notes} keys"
    before = "nothing heard" if change.before_db is None else quantity_text(change.before_db, "dB")
    after = "nothing heard" if change.after_db is None else quantity_text(change.after_db, "dB")
    text = f"from {before} to {after}"
    if change.difference_db is not None:
        size = quantity_text(change.difference_db, "dB", is_signed=True)
        if change.low_db is not None and change.high_db is not None:
            low = quantity_text(change.low_db, "", is_signed=True)
            high = quantity_text(change.high_db, "", is_signed=True)
            size += f" [{low}, {high}]"
        text = f"{size}, {text}"
    return (
        f"{text}; heard after {change.keys_before} of {change.notes} keys before, after "
        f"{change.keys_after} now"
    )
