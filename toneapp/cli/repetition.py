"""``toneapp repetition``: keys struck as fast as they go, each one's figures and the slow ones.

Functions: `add_command`, `run_repetition`, `repetition_text`, `repetition_csv`,
`repetition_json`.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from toneapp.cli.library_words import STANDARD_OUTPUT, note_word
from toneapp.cli.streams import progress_line, say, say_bytes
from toneapp.errors import InputError
from toneapp.keyboard import FULL_COMPASS, Compass, KeyboardLayout
from toneapp.pitch import A4_HZ
from toneapp.saving import write_atomically
from toneapp.tables import safe_cell
from toneapp.wording import flag_text, quantity_text

if TYPE_CHECKING:
    from toneapp.analysis import RepetitionRun
    from toneapp.evenness import SluggishKey
    from toneapp.measure.repetition import KeyRepetition

__all__ = [
    "add_command",
    "repetition_csv",
    "repetition_json",
    "repetition_text",
    "run_repetition",
]

REPETITION_FORMAT = "toneapp-repetition/1"
WIDTH = 79

_REASONS = {
    "slow": "slower than the keys around it",
    "uneven_spacing": "blows unevenly spaced",
    "uneven_level": "blows unevenly loud",
    "missed_blows": "misses blows",
}


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command's options to the parser."""
    parser = commands.add_parser(
        "repetition",
        parents=parents,
        help="find the keys that repeat slowly",
        description="Measure keys that were struck as fast as they will go: six blows or more on "
        "one key, a pause of a second, then the next key; or a folder with one recording a key "
        "(a file named C4.wav names its key).",
        allow_abbrev=False,
    )
    parser.add_argument(
        "recording",
        metavar="FILE_OR_FOLDER",
        help="WAV, FLAC, AIFF, OGG, MP3, or a folder of them",
    )
    parser.add_argument(
        "--json", metavar="OUT", help='write all values as JSON ("-": to the output, no text)'
    )
    parser.add_argument("--csv", metavar="OUT", help="write a table with one row a key")
    parser.add_argument(
        "--keys",
        type=_keys,
        default=(),
        metavar="C4,D4",
        help="the keys in the order in which they were struck; heard by pitch if not given",
    )
    parser.add_argument(
        "--compass",
        type=_compass,
        default=FULL_COMPASS,
        metavar="A0-C8",
        help="lowest and highest key of the instrument (A0-C8)",
    )
    parser.add_argument(
        "--a4", type=_a4_hz, default=A4_HZ, metavar="HZ", help="pitch of A4 in Hz (440)"
    )
    parser.add_argument(
        "--channel",
        default="auto",
        metavar="WHICH",
        help="auto (the louder one), average, left, right or a number",
    )
    parser.set_defaults(run=run_repetition)


def run_repetition(arguments: argparse.Namespace) -> None:
    """Carry out the command.

    Raises
    ------
    ToneappError
        If the recording cannot be measured or a result not be written.
    """
    from toneapp.analysis import analyse_repetition

    if arguments.csv == STANDARD_OUTPUT:
        raise InputError('only --json can go to the output with "-"; name a file')
    with progress_line("measuring") as progress:
        run = analyse_repetition(
            arguments.recording,
            layout=KeyboardLayout(compass=arguments.compass),
            a4_hz=arguments.a4,
            keys=arguments.keys,
            channel=arguments.channel,
            progress=progress,
        )
    content = json.dumps(repetition_json(run), ensure_ascii=False, allow_nan=False, indent=1)
    encoded = (content + "\n").encode("utf-8")
    if arguments.csv is not None:
        write_atomically(arguments.csv, repetition_csv(run))
    if arguments.json == STANDARD_OUTPUT:
        say_bytes(encoded)
        return
    if arguments.json is not None:
        write_atomically(arguments.json, encoded)
    say(repetition_text(run))


def repetition_text(run: RepetitionRun) -> str:
    """Tell a repetition run in lines of at most 79 signs."""
    sluggish = run.judgement.sluggish
    lines = [
        f"{len(run.keys)} {'key' if len(run.keys) == 1 else 'keys'} struck fast in {run.source}"
    ]
    lines += [line for text in run.problems for line in _fold(f"  - {text}", 4)]
    lines += [
        "",
        f"  {'key':<6}{'blows':>6}{'a second':>15}{'spacing':>15}{'level (dB)':>13}{'missed':>9}",
    ]
    lines += [_key_line(key) for key in run.keys]
    doubts = [
        f"{key.note or 'a series'} at {key.first_s:.1f} s: {flag_text(flag)}"
        for key in run.keys
        for flag in key.flags
        if flag.value != "label_given"
    ]
    lines += [line for text in doubts for line in _fold(f"  - {text}", 4)]
    lines.append("")
    if not sluggish:
        lines.append("Sluggish keys: none; all fit the instrument's own trend")
    else:
        lines.append(f"Sluggish keys: {len(sluggish)}, worst first")
        for item in sluggish:
            lines += _fold(f"  {item.note:<5} {_reason_text(item)}", 8)
        lines += _advice_lines()
    if run.judgement.flags:
        lines += _fold(
            "With fewer than seven keys there is no trend: keys are held against the median of "
            "those struck.",
            0,
        )
    lines += [
        "",
        *_fold(
            "Spacing: scatter of the time between blows, in % of its mean. Level: scatter of the "
            "blows. The hand sets the general pace; only what leaves the trend is the key's. "
            "After ± stands twice the standard error.",
            0,
        ),
    ]
    return "\n".join(lines) + "\n"


def _key_line(key: KeyRepetition) -> str:
    rate = quantity_text(key.strikes_per_s, "", se=key.strikes_per_s_se, decimals=2)
    cv = None if key.spacing_cv is None else 100.0 * key.spacing_cv
    cv_se = None if key.spacing_cv_se is None else 100.0 * key.spacing_cv_se
    spacing = "-" if cv is None else quantity_text(cv, "%", se=cv_se)
    level = quantity_text(key.level_sd_db, "", se=key.level_sd_db_se)
    return f"  {key.note or '?':<6}{key.blows:>6}{rate:>15}{spacing:>15}{level:>13}{key.missed:>9}"


def _reason_text(item: SluggishKey) -> str:
    texts = []
    for reason in item.reasons:
        text = _REASONS[reason.value]
        if reason.value == "slow" and item.usual_per_s is not None:
            text += f" ({item.strikes_per_s:.1f} a second where {item.usual_per_s:.1f} is usual)"
        if reason.value == "missed_blows":
            text += f" ({item.missed})"
        texts.append(text)
    return "; ".join(texts)


def _advice_lines() -> list[str]:
    from toneapp.evenness import load_advice

    book = load_advice()
    advice = book.sluggish_key
    lines = ["", *_fold(" ".join(advice.reason.split()), 0)]
    for head, steps in (
        ("Look first at", advice.check_first),
        ("Then, what can be undone", advice.reversible),
        ("Last, what cannot be undone", advice.irreversible),
    ):
        lines.append(f"  {head}")
        lines += [line for step in steps for line in _fold(f"    - {step}", 6)]
    lines.append("  Cautions")
    lines += [line for c in advice.cautions for line in _fold(f"    - {c.text}", 6)]
    return [*lines, *_fold(book.defer, 0)]


def repetition_json(run: RepetitionRun) -> dict[str, Any]:
    """Turn a repetition run into the objects of JSON; null is not measured."""
    data = asdict(run)
    return {"format": REPETITION_FORMAT, **data}


def repetition_csv(run: RepetitionRun) -> bytes:
    """Write one row a key."""
    sluggish = {item.midi: item for item in run.judgement.sluggish}
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(
        [
            "midi", "note", "file", "first (s)", "last (s)", "blows", "strikes a second (1/s)",
            "strikes a second se (1/s)", "spacing cv (1)", "spacing cv se (1)", "level sd (dB)",
            "level sd se (dB)", "missed", "sluggish", "flags",
        ]
    )  # fmt: skip
    for key in run.keys:
        item = sluggish.get(key.midi) if key.midi is not None else None
        numbers = (
            key.first_s, key.last_s, key.blows, key.strikes_per_s, key.strikes_per_s_se,
            key.spacing_cv, key.spacing_cv_se, key.level_sd_db, key.level_sd_db_se, key.missed,
        )  # fmt: skip
        writer.writerow(
            [
                "" if key.midi is None else key.midi,
                key.note,
                safe_cell(key.source),
                *("" if number is None else f"{number:.10g}" for number in numbers),
                "" if item is None else " ".join(item.reasons),
                " ".join(key.flags),
            ]
        )
    table = text.getvalue()
    return table.encode("ascii" if table.isascii() else "utf-8-sig", errors="replace")


def _compass(text: str) -> Compass:
    try:
        return Compass.parse(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _a4_hz(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 380.0 <= value <= 500.0:  # reference pitches in use, old and new, lie well inside
        raise argparse.ArgumentTypeError(f"{text!r} is not a frequency in Hz from 380 to 500")
    return value


def _keys(text: str) -> tuple[int, ...]:
    return tuple(note_word(part.strip()) for part in text.split(",") if part.strip())


def _fold(text: str, indent: int) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False)
