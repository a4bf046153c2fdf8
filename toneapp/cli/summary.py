"""How is an analysed run told in the terminal?

`run_summary` turns a result into lines of at most 79 characters: facts, problems, unevenness,
raised notes with their reasons, what rings on, what is missing and what could not be measured.
The numbers and words come from `toneapp.wording`.

Functions: `run_summary`.
"""

from __future__ import annotations

import textwrap

from toneapp.pitch import note_name, ratio_to_cents
from toneapp.results import Evenness, Flag, NoteResult, RunResult, StrikeResult, UnexpectedSound
from toneapp.wording import (
    NOT_MEASURED,
    duration_text,
    flag_text,
    note_list_text,
    quantity_text,
    raised_reason,
    raised_text,
)

__all__ = ["run_summary"]

WIDTH = 79
PLUS_MINUS = "After ± stands twice the standard error: 19 of 20 ranges hold the true value."
_LABEL_WIDTH = 13
_MOST_RANKED = 8
"""How many of a ranked list are named; the command "ringing" tells them all."""

_LONGEST_LIST = 24
"""Longer lists of notes than this, in characters, are only counted."""

_MOST_UNEXPECTED = 12
"""More unexpected sounds than this are counted and not listed."""


def run_summary(run: RunResult) -> str:
    """Tell a run in plain words.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    str
        Lines of at most 79 characters, ended by a newline.
    """
    sections = [
        _facts(run),
        _problems(run),
        _unevenness(run),
        _raised(run),
        _ring_on(run),
        _missing(run),
        _doubts(run),
    ]
    text = "\n\n".join("\n".join(lines) for lines in sections if lines)
    if "±" in text:
        text += f"\n\n{PLUS_MINUS}"
    return text + "\n"


def _facts(run: RunResult) -> list[str]:
    sound = f"{duration_text(run.duration_s)} at {run.sample_rate_hz} Hz"
    if run.channels > 1:
        sound += f", {run.channels} channels, measured: {run.channel_use}"
    lines = _row("Run", run.source or "(without a name)") + _row("Recording", sound)
    if run.strikes:
        struck = len(run.notes)
        order = "in free order" if run.order == "free" else run.order
        lines += _row(
            "Keys",
            f"{_count(struck, 'key')} of {run.compass.replace('-', '–')} with "
            f"{_count(len(run.strikes), 'strike')}, {order}",
        )
    else:
        lines += _row("Keys", "no strike was found that could be measured")
    lines += _row("Pitch", _pitch(run))
    room = []
    if run.noise_dbfs is not None:
        room.append(f"noise {quantity_text(run.noise_dbfs, 'dBFS (A-weighted)')}")
    if run.room_t60_s is not None:
        echo = quantity_text(run.room_t60_s, "s", decimals=2)
        room.append(f"reverberation {echo} (T60)")
    if room:
        lines += _row("Room", ", ".join(room))
    if run.calibration_db is not None:
        lines += _row("Calibrated", f"full scale = {quantity_text(run.calibration_db, 'dB SPL')}")
    return lines


def _pitch(run: RunResult) -> str:
    if run.a4_measured_hz is None:
        return f"A4 {NOT_MEASURED}; cents refer to {run.a4_reference_hz:g} Hz"
    off_cents = float(ratio_to_cents(run.a4_measured_hz / run.a4_reference_hz))
    distance = quantity_text(off_cents, "cents", is_signed=True)
    return f"A4 at {run.a4_measured_hz:.2f} Hz, {distance} from {run.a4_reference_hz:g} Hz"


def _problems(run: RunResult) -> list[str]:
    if not run.problems:
        return []
    return ["Problems", *(line for text in run.problems for line in _item(text))]


def _unevenness(run: RunResult) -> list[str]:
    if not run.strikes:
        return []
    even = run.evenness
    why = "; ".join(flag_text(flag) for flag in even.flags)
    level = quantity_text(even.level_db, "dB", se=even.level_db_se, decimals=2)
    brightness = quantity_text(even.brightness_oct, "oct", se=even.brightness_oct_se, decimals=3)
    scatter = NOT_MEASURED
    if even.touch_scatter_db is not None:
        scatter = quantity_text(even.touch_scatter_db, "dB")
        if even.touch_scatter_oct is not None:
            scatter += f" and {quantity_text(even.touch_scatter_oct, 'oct', decimals=3)}"
        scatter += " (already taken out)"
    lines = ["Unevenness: how far the notes leave the instrument's own trend (0 is even)"]
    lines += _row("level", level, indent=2)
    lines += _row("brightness", brightness, indent=2)
    lines += _row("tuning", _tuning(even), indent=2)
    lines += _row("touch scatter", scatter, indent=2)
    if why:
        lines += _item(why)
    return lines


def _tuning(even: Evenness) -> str:
    return quantity_text(even.tuning_cents, "cents", se=even.tuning_cents_se, decimals=2)


def _raised(run: RunResult) -> list[str]:
    if not run.notes:
        return []
    raised = [note for note in run.notes if note.raised]
    if not raised:
        judged = sum(_is_judged(note) for note in run.notes)
        if judged == 0:
            return ["Raised notes: none could be judged"]
        return [f"Raised notes: none; all of the {judged} judged fit the instrument's own trend"]
    lines = [f"Raised notes: {len(raised)} of {len(run.notes)}"]
    for note in raised:
        name = note.note
        for way in note.raised:
            lines.append(f"  {name:<5}{raised_text(way):<20} {raised_reason(note, way)}")
            name = ""
    return lines


def _ring_on(run: RunResult) -> list[str]:
    """Suspect dampers, echo strings and how many notes ring on; nothing without a release."""
    ring_on = run.ring_on
    if ring_on is None or ring_on.strikes_heard == 0:
        return []
    ringing = sorted({s.midi for s in run.strikes if s.ringing})
    released = {s.midi for s in run.strikes if s.release_s is not None or s.ringing}
    lines = [f"Ring-on: something rings after {len(ringing)} of {_count(len(released), 'key')}"]
    if ringing:
        lines += _row("after", note_list_text(ringing), indent=2)
    suspects = [suspect.note for suspect in ring_on.suspects]
    lines += _row("check dampers", _first_of(suspects, "none"), indent=2)
    echoes = [
        f"{echo.note} ({quantity_text(echo.level_db, 'dB', decimals=0)})"
        for echo in ring_on.echo_strings
    ]
    lines += _row("echo strings", _first_of(echoes, "none"), indent=2)
    if ring_on.treble_echo_db is not None:
        level = quantity_text(ring_on.treble_echo_db, "dB", se=ring_on.treble_echo_db_se)
        lines += _row("treble echo", f"{level} against the blow", indent=2)
    return lines


def _first_of(words: list[str], nothing: str) -> str:
    """Name the first of a ranked list."""
    if not words:
        return nothing
    text = ", ".join(words[:_MOST_RANKED])
    rest = len(words) - _MOST_RANKED
    return f"{text} and {rest} more" if rest > 0 else text


def _is_judged(note: NoteResult) -> bool:
    return note.level_residual_db is not None or note.brightness_residual is not None


def _missing(run: RunResult) -> list[str]:
    lines = []
    if run.missing:
        lines += _row("Not found", note_list_text(run.missing))
    if run.unexpected:
        if len(run.unexpected) > _MOST_UNEXPECTED:
            text = f"{len(run.unexpected)} sounds that fit no expected note"
        else:
            text = ", ".join(_unexpected_text(sound) for sound in run.unexpected)
        lines += _row("Unexpected", text)
    return lines


def _unexpected_text(sound: UnexpectedSound) -> str:
    what = note_name(sound.midi) if sound.midi is not None else sound.kind
    minutes, seconds = divmod(sound.onset_s, 60.0)
    return f"{what} at {int(minutes)}:{seconds:04.1f}"


def _doubts(run: RunResult) -> list[str]:
    """Which strikes carry which flag, in the order of the flags' own list."""
    lines: list[str] = []
    for flag in Flag:
        hit = [strike for strike in run.strikes if flag in strike.flags]
        if hit:
            lines += _item(f"{flag_text(flag)}: {_where(hit, len(run.strikes))}")
    if not lines:
        return []
    return ["Doubts: what was not measured, or not for certain (--csv lists it by strike)", *lines]


def _where(hit: list[StrikeResult], of: int) -> str:
    """Name some strikes, or only count them where the list would be long."""
    if len(hit) == of > 1:
        return "all strikes"
    notes = note_list_text(strike.midi for strike in hit)
    if len(notes) <= _LONGEST_LIST:
        return f"{_count(len(hit), 'strike')} ({notes})"
    midis = [strike.midi for strike in hit]
    ends = f"{note_name(min(midis))} to {note_name(max(midis))}"
    return f"{len(hit)} of {of} strikes, from {ends}"


def _row(label: str, text: str, *, indent: int = 0) -> list[str]:
    """One labelled fact, folded under itself."""
    head = f"{'':{indent}}{label:<{_LABEL_WIDTH}} "
    return _fold(head + text, " " * len(head))


def _item(text: str) -> list[str]:
    return _fold(f"  - {text}", "    ")


def _fold(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        subsequent_indent=indent,
        break_on_hyphens=False,
        drop_whitespace=True,
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
