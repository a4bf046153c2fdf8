"""The way of a voicer through the window, in a real window, with real keyboard and mouse.

A screen without glass (Xvfb) and a hand without fingers (xdotool); what is looked at is what the
library holds afterwards and which page the window says it shows.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from bench_library import build_library

from toneapp.desktop.pages import available_pages
from toneapp.library import Library

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux")
    or not shutil.which("Xvfb")
    or not shutil.which("xdotool"),
    reason="needs Xvfb and xdotool",
)

LONGEST_S = 60.0
SIZE = (1280, 800)
FIRST_OF_WORKLIST = (1050, 181)  # a place within its first row, in a window of that size


def wait_for(is_so: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + LONGEST_S
    while not is_so():
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.05)


class Hand:
    """Presses keys and the mouse on one screen, and reads the titles of its windows."""

    def __init__(self, display: str) -> None:
        self.environment = dict(os.environ, DISPLAY=display)

    def _do(self, *words: str) -> str:
        done = subprocess.run(
            ["xdotool", *words], env=self.environment, capture_output=True, text=True, check=False
        )
        return done.stdout.strip()

    def windows(self) -> dict[str, str]:
        """Numbers of the windows by their titles."""
        numbers = self._do("search", "--onlyvisible", "--name", ".").split()
        return {self._do("getwindowname", number): number for number in numbers}

    def wait_for_window(self, title: str) -> None:
        """Wait for a window and bring the keyboard to it."""
        found: list[str] = []

        def is_there() -> bool:
            windows = self.windows()
            if title in windows:
                found.append(windows[title])
            return bool(found)

        wait_for(is_there, f"the window {title!r} among {list(self.windows())}")
        self._do("windowfocus", "--sync", found[0])

    def press(self, keys: str) -> None:
        self._do("key", "--clearmodifiers", keys)

    def press_until(self, keys: str, title: str) -> None:
        """Press again while nothing happens: the window may still be filling its list."""
        for _ in range(int(LONGEST_S / 2)):
            self.press(keys)
            end = time.monotonic() + 2.0
            while time.monotonic() < end:
                if title in self.windows():
                    return
                time.sleep(0.05)
        raise AssertionError(f"{keys} did not lead to {title!r} but to {list(self.windows())}")

    def type(self, text: str) -> None:
        self._do("type", "--delay", "5", text)

    def click(self, x: int, y: int) -> None:
        self._do("mousemove", "--sync", str(x), str(y), "click", "1")


@pytest.fixture
def display(tmp_path: Path) -> Iterator[str]:
    """A screen of its own."""
    reading, writing = os.pipe()
    with (tmp_path / "screen.log").open("wb") as log:
        server = subprocess.Popen(
            ["Xvfb", "-displayfd", str(writing), "-screen", "0", f"{SIZE[0]}x{SIZE[1]}x24",
             "-nolisten", "tcp"],
            pass_fds=[writing], stdout=log, stderr=log,
        )  # fmt: skip
    os.close(writing)
    with os.fdopen(reading) as answer:
        number = answer.readline().strip()
    try:
        assert number, (tmp_path / "screen.log").read_text(errors="replace")
        yield f":{number}"
    finally:
        server.terminate()
        server.wait(10)


@pytest.fixture
def program(display: str, tmp_path: Path) -> Iterator[tuple[Hand, Path, Path]]:
    """The window on a library, the library's folder, and a recording to import."""
    with build_library(tmp_path) as library:
        folder = library.folder
    home = tmp_path / "home"
    home.mkdir()
    environment = dict(
        os.environ, DISPLAY=display, QT_QPA_PLATFORM="xcb", HOME=str(home),
        XDG_CONFIG_HOME=str(home / "config"), QT_SCALE_FACTOR="1",
    )  # fmt: skip
    said = tmp_path / "said.txt"
    with said.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "toneapp.desktop", "--library", str(folder)],
            env=environment,
            stdout=file,
            stderr=file,
        )
    try:
        yield Hand(display), folder, tmp_path / "after the hammers.flac"
        assert process.poll() is None, said.read_text(errors="replace")
        assert "Traceback" not in said.read_text(errors="replace")
    finally:
        process.terminate()
        process.wait(30)


def test_import_evenness_note_ring_on_tick_compare(program: tuple[Hand, Path, Path]) -> None:
    hand, folder, recording = program
    titles = {entry.name: entry.title for entry in available_pages()}
    keys = {entry.name: entry.shortcut.replace("Ctrl", "ctrl") for entry in available_pages()}
    name = "Old upright"

    def go(page: str) -> None:
        hand.press(keys[page])
        hand.wait_for_window(f"{titles[page]} - {name} - toneapp")

    def runs() -> int:
        with Library(folder) as library:
            return len(library.measuring.figures([run.id for run in library.runs.all()]))

    hand.wait_for_window("Instruments - toneapp")
    hand.press_until("Return", f"{titles['instrument']} - {name} - toneapp")
    assert runs() == 2

    hand.press("ctrl+o")
    hand.wait_for_window("Recording")
    hand.type(str(recording))
    hand.press("Return")
    hand.wait_for_window("Import a recording")
    hand.press("Return")
    hand.wait_for_window(f"{titles['evenness']} - {name} - toneapp")
    wait_for(lambda: runs() == 3, "the imported run to be measured")

    for page in ("note", "ring_on", "evenness"):
        go(page)
    hand.click(*FIRST_OF_WORKLIST)
    hand.press("space")

    def ticks() -> int:
        with Library(folder) as library:
            newest = library.runs.all()[-1]
            return sum(entry.is_done for entry in library.worklist(newest.id).entries)

    wait_for(lambda: ticks() == 1, "the tick to be in the library")
    if "compare" in titles:
        go("compare")
    go("help")
