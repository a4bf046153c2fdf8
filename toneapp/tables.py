"""How does an analysed run look as a table for a spreadsheet?

Two tables, each a plain rectangle with one header line: `strikes_csv` has one row a strike,
`notes_csv` one row a key (trend, residuals, raised). Conventions: comma between cells, decimal
point, the unit in brackets in the header, an empty cell for what could not be measured (the reason
is in the last column), lines ended by CR LF as RFC 4180 has it. The text is UTF-8; a byte order
mark stands before it only when a file name is not plain ASCII, because some spreadsheets need the
mark then, while it spoils the first header for other readers.

Functions: `strikes_csv`, `notes_csv`, `notes_table_path`, `safe_cell`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from toneapp.interchange import run_to_json
from toneapp.pitch import note_name
from toneapp.results import RunResult
from toneapp.wording import percent_change

__all__ = ["notes_csv", "notes_table_path", "safe_cell", "strikes_csv"]

_STRIKE_COLUMNS = (
    ("midi", "midi"),
    ("note", "note"),
    ("onset (s)", "onset_s"),
    ("release (s)", "release_s"),
    ("end (s)", "end_s"),
    ("file", "source"),
    ("f0 (Hz)", "f0_hz"),
    ("f0 se (Hz)", "f0_hz_se"),
    ("f1 (Hz)", "f1_hz"),
    ("f1 se (Hz)", "f1_hz_se"),
    ("B (1)", "B"),
    ("B se (1)", "B_se"),
    ("pitch (cents)", "cents"),
    ("pitch se (cents)", "cents_se"),
    ("series residual (cents)", "series_residual_cents"),
    ("prompt T60 (s)", "prompt_t60_s"),
    ("prompt T60 se (s)", "prompt_t60_s_se"),
    ("after T60 (s)", "after_t60_s"),
    ("after T60 se (s)", "after_t60_s_se"),
    ("knee (s)", "knee_s"),
    ("aftersound level (dB)", "aftersound_level_db"),
    ("Schroeder T20 (s)", "schroeder_t20_s"),
    ("sustain 20 dB (s)", "sustain_20db_s"),
    ("beat (Hz)", "beat_hz"),
    ("beat depth (dB)", "beat_depth_db"),
    ("unison spread (cents)", "unison_spread_cents"),
    ("damped T60 (s)", "damped_t60_s"),
    ("damped T60 se (s)", "damped_t60_s_se"),
    ("ring level 0.5 s (dB)", "ring_level_db"),
    ("ring level is limit (yes/no)", "ring_level_is_limit"),
    ("level (dB)", "level_db"),
    ("peak (dBFS)", "peak_dbfs"),
    ("loudness (LKFS)", "loudness_lkfs"),
    ("loudness (sone)", "loudness_sone"),
    ("brightness (oct)", "brightness"),
    ("brightness se (oct)", "brightness_se"),
    ("place on level (dB)", "place_db"),
    ("place on level se (dB)", "place_db_se"),
    ("place on brightness (oct)", "place_oct"),
    ("place on brightness se (oct)", "place_oct_se"),
    ("centroid (Hz)", "centroid_hz"),
    ("sharpness (acum)", "sharpness_acum"),
    ("slope (dB/oct)", "slope_db_per_oct"),
    ("knock (dB)", "knock_db"),
    ("noise (dBFS)", "noise_dbfs"),
    ("partials (count)", "partials"),
    ("echo strings", "ringing"),
    ("flags", "flags"),
)

_NOTE_COLUMNS = (
    ("midi", "midi"),
    ("note", "note"),
    ("strikes (count)", "strikes"),
    ("raised", "raised"),
    ("f1 (Hz)", "f1_hz"),
    ("pitch (cents)", "cents"),
    ("pitch se (cents)", "cents_se"),
    ("pitch residual (cents)", "cents_residual"),
    ("B (1)", "B"),
    ("B se (1)", "B_se"),
    ("prompt T60 (s)", "prompt_t60_s"),
    ("prompt T60 residual (%)", "prompt_t60_residual"),
    ("prompt T60 residual se (%)", "prompt_t60_se"),
    ("after T60 (s)", "after_t60_s"),
    ("sustain 20 dB (s)", "sustain_20db_s"),
    ("damped T60 (s)", "damped_t60_s"),
    ("damped T60 se (s)", "damped_t60_s_se"),
    ("ring level 0.5 s (dB)", "ring_level_db"),
    ("level (dB)", "level_db"),
    ("level trend (dB)", "level_trend_db"),
    ("level residual (dB)", "level_residual_db"),
    ("level residual se (dB)", "level_se"),
    ("place on level (dB)", "level_place_db"),
    ("place on level se (dB)", "level_place_se"),
    ("brightness (oct)", "brightness"),
    ("brightness trend (oct)", "brightness_trend"),
    ("brightness residual (oct)", "brightness_residual"),
    ("brightness residual se (oct)", "brightness_se"),
    ("place on brightness (oct)", "brightness_place_oct"),
    ("place on brightness se (oct)", "brightness_place_se"),
    ("blow slope (oct/dB)", "brightness_slope_oct_per_db"),
    ("blow slope se (oct/dB)", "brightness_slope_se"),
    ("knock (dB)", "knock_db"),
    ("flags", "flags"),
)

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def strikes_csv(run: RunResult) -> bytes:
    """Write the table of the strikes, in the order of the recording.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    bytes
        CSV text. Lists (the partials, the levels at three times) are left to the JSON
        form; the strings that ring on are named as ``note:partial``.
    """
    return _table(_STRIKE_COLUMNS, run_to_json(run)["strikes"])


def notes_csv(run: RunResult) -> bytes:
    """Write the table of the keys, upward.

    Parameters
    ----------
    run : RunResult

    Returns
    -------
    bytes
        CSV text.
    """
    return _table(_NOTE_COLUMNS, (_in_percent(note) for note in run_to_json(run)["notes"]))


def notes_table_path(strikes_path: str | Path) -> Path:
    """Name of the notes' table that goes beside a strikes' table.

    Examples
    --------
    >>> notes_table_path("run.csv").name
    'run-notes.csv'
    """
    path = Path(strikes_path)
    return path.with_name(f"{path.stem}-notes{path.suffix}")


def safe_cell(text: str) -> str:
    """Keep a text from being read as a formula by a spreadsheet.

    Parameters
    ----------
    text : str
        What a person or a file name has put in. Numbers do not come through here.

    Returns
    -------
    str
        The same text, with an apostrophe before a sign that starts a formula.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("C#4")
    ("'=1+1", 'C#4')
    """
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_STARTS) else text


def _in_percent(note: dict[str, Any]) -> dict[str, Any]:
    """Turn the logarithm of a key's decay time, against its trend, into per cent."""
    residual, se = note["prompt_t60_residual"], note["prompt_t60_se"]
    if residual is None:
        return note
    change = percent_change(residual)
    return note | {
        "prompt_t60_residual": float(f"{change:.6g}"),
        "prompt_t60_se": None if se is None else float(f"{(100.0 + change) * se:.6g}"),
    }


def _table(columns: Sequence[tuple[str, str]], rows: Iterable[dict[str, Any]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([header for header, _ in columns])
    for row in rows:
        writer.writerow([_cell(name, row[name]) for _, name in columns])
    table = text.getvalue()
    return table.encode("ascii" if table.isascii() else "utf-8-sig", errors="replace")


def _cell(name: str, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return format(Decimal(repr(value)), "f")  # digits in full, never 7e-05
    if name == "partials":
        return repr(len(value))
    if name == "ringing":
        return " ".join(_echo_name(echo) for echo in value)
    if isinstance(value, list):
        return safe_cell(" ".join(value))
    return safe_cell(str(value))


def _echo_name(echo: dict[str, Any]) -> str:
    if echo["midi"] is None:
        return f"{echo['hz']}Hz"
    return f"{note_name(echo['midi'])}:{echo['partial']}"
