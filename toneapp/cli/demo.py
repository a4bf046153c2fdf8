"""``toneapp demo``: an invented instrument, played, recorded and measured.

Functions: `add_command`, `run_demo`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from toneapp._typing import Float32Array
from toneapp.cli.analyse import write_tables
from toneapp.cli.picture import draw_picture
from toneapp.cli.streams import progress_line, say
from toneapp.cli.summary import run_summary
from toneapp.errors import OutputError
from toneapp.interchange import run_to_bytes
from toneapp.results import Raised, RunResult
from toneapp.saving import write_atomically
from toneapp.wording import note_list_text

__all__ = ["add_command", "run_demo"]

DEFAULT_FOLDER = "toneapp-demo"


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add the command's options to the parser."""
    parser = commands.add_parser(
        "demo",
        parents=parents,
        help="simulate an old piano, measure it, and show what comes out",
        description="Simulate an old upright piano of an invented workshop, played key by key "
        "with a soft, a medium and a firm blow, and measure it: recording, values, tables and a "
        "picture are left in a folder.",
        allow_abbrev=False,
    )
    parser.add_argument(
        "--folder",
        default=DEFAULT_FOLDER,
        metavar="DIR",
        help=f"where to put the files ({DEFAULT_FOLDER} in this folder)",
    )
    parser.set_defaults(run=run_demo)


def run_demo(arguments: argparse.Namespace) -> None:
    """Carry out the command.

    Raises
    ------
    ToneappError
        If a file cannot be written.
    """
    from toneapp.analysis import analyse
    from toneapp.audio import write_sound
    from toneapp.simulate.workshop import perform_demonstration

    folder = Path(arguments.folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise OutputError(
            f"the folder {folder} cannot be made: {exc.strerror}; choose another with --folder"
        ) from exc
    say("Simulating an old upright of an invented workshop, three blows on each of 88 keys ...")
    demonstration = perform_demonstration()
    performance = demonstration.performance
    recording = folder / f"{demonstration.name}.flac"

    with progress_line("simulating") as progress:

        def blocks() -> Iterator[Float32Array]:
            made = 0
            for block in performance.blocks():
                yield block
                made += len(block)
                progress(made / performance.samples)

        write_sound(recording, blocks(), sample_rate_hz=performance.sample_rate_hz, bits=16)
    say("Measuring it ...\n\n")
    with progress_line("measuring") as progress:
        run = analyse(recording, layout=demonstration.layout, jobs=None, progress=progress)
    write_atomically(recording.with_suffix(".json"), run_to_bytes(run))
    write_tables(run, recording.with_suffix(".csv"))
    say(run_summary(run))
    say("\nWhat was wrong with the simulated instrument, and what was raised:")
    for what, truth, found in (
        ("hard hammers", demonstration.hard_hammers, _raised_as(run, Raised.BRIGHT)),
        ("soft hammers", demonstration.soft_hammers, _raised_as(run, Raised.DULL)),
        ("loud keys", demonstration.loud_keys, _raised_as(run, Raised.LOUD)),
        ("quiet keys", demonstration.quiet_keys, _raised_as(run, Raised.SOFT)),
    ):
        missed = sorted(set(truth) - set(found))
        others = sorted(set(found) - set(truth))
        if not missed:
            text = "all raised"
        elif len(missed) == len(truth):
            text = "not raised"
        else:
            text = f"{note_list_text(missed)} not raised"
        also = f"; raised as well: {note_list_text(others)}" if others else ""
        say(f"  {what:<13} {note_list_text(truth)}: {text}{also}")
    say("A harder hammer is louder too and a softer one quieter, so its level may be raised.")
    picture = recording.with_suffix(".png")
    draw_picture(run, picture)
    say(f"\nThe files are in {folder}:")
    names = {
        recording.name: "the recording",
        picture.name: "the picture: look at this first",
        f"{demonstration.name}.csv": "one row a strike, for a spreadsheet",
        f"{demonstration.name}-notes.csv": "one row a key",
        f"{demonstration.name}.json": "everything, for other programs",
    }
    for name, what in names.items():
        say(f"  {name:<30} {what}")


def _raised_as(run: RunResult, way: Raised) -> list[int]:
    return [note.midi for note in run.notes if way in note.raised]
