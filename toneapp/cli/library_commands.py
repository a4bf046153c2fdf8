"""The commands for the library, in the order in which they are listed.

Functions: `add_command`.
"""

from __future__ import annotations

import argparse
from typing import Any

from toneapp.cli import instrument_commands, run_commands, store_commands, work_commands
from toneapp.cli.library_words import library_parent

__all__ = ["add_command"]


def add_command(commands: Any, *, parents: list[argparse.ArgumentParser]) -> None:
    """Add all commands for the library to the parser."""
    common = [*parents, library_parent()]
    for module in (instrument_commands, run_commands, work_commands, store_commands):
        module.add_command(commands, parents=common)
