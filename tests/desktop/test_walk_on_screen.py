"""The way of a voicer through the window, in a real window, with real keyboard and mouse.

A screen without glass (Xvfb) and a hand without fingers (xdotool). Where the hand points it reads
from what the window shows (`watched_program`); what is looked at is which page and key the window
shows, and what the library holds afterwards. Every wait is for something that is seen, and keys
are pressed again while nothing happens, so that a slow machine makes the walk longer and no
different.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from bench_library import HARD, build_library

from toneapp.desktop.pages import available_pages
from toneapp.library import Library

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux")
    or not shutil.which("Xvfb")
    or not shutil.which("xdotool"),
    reason="needs Xvfb and xdotool",
)

LONGEST_S = 180.0
AGAIN_S = 4.0  # a key is pressed again when nothing has happened for so long
SIZE = (1280, 800)
HERE = Path(__file__).parent


def wait_for(is_so: Callable[[], bool], what: Callable[[], str] | str) -> None:
    end = time.monotonic() + LONGEST_S
    while not is_so():
        assert time.monotonic() < end, (
            f"waited in vain for {what if isinstance(what, str) else what()}"
        )
        time.sleep(0.05)


@dataclass
class Hand:
    """Presses keys and the mouse on one screen, and sees what the window shows."""

    environment: dict[str, str]
    seen_file: Path

    def _do(self, *words: str) -> str:
        done = subprocess.run(
            ["xdotool", *words], env=self.environment, capture_output=True, text=True, check=False
        )
        return done.stdout.strip()

    def seen(self) -> dict[str, Any]:
        """What is visible now."""
        try:
            found: dict[str, Any] = json.loads(self.seen_file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {"places": {}, "rows": {}, "texts": [], "page": "", "modal": "", "midi": 0,
                    "active": "", "is_idle": False, "focus": ""}  # fmt: skip
        return found

    def see(self, is_so: Callable[[dict[str, Any]], bool], what: str) -> None:
        """Wait until the window shows something."""

        def told() -> str:
            seen = self.seen()
            return f"{what}; it shows page {seen['page']!r}, {seen['modal']!r}, {seen['focus']!r}"

        wait_for(lambda: is_so(self.seen()), told)

    def do_until(
        self, act: Callable[[], None], is_so: Callable[[dict[str, Any]], bool], what: str
    ) -> None:
        """Do something again while it has no effect: the window may still be filling a list."""
        end = time.monotonic() + LONGEST_S
        while True:
            self.focus()
            act()
            until = time.monotonic() + AGAIN_S
            while time.monotonic() < until:
                if is_so(self.seen()):
                    return
                time.sleep(0.05)
            if time.monotonic() > end:
                self.see(is_so, what)
                return

    def focus(self) -> None:
        """Bring the keyboard to the uppermost window; there is no window manager here."""
        wanted = self.seen()["modal"]
        numbers = self._do("search", "--onlyvisible", "--name", wanted or "toneapp").split()
        if numbers:
            self._do("windowfocus", "--sync", numbers[-1])

    def press(self, keys: str) -> None:
        self._do("key", "--clearmodifiers", keys)

    def press_until(self, keys: str, is_so: Callable[[dict[str, Any]], bool], what: str) -> None:
        self.do_until(lambda: self.press(keys), is_so, what)

    def type(self, text: str) -> None:
        self._do("type", "--delay", "8", text)

    def click_at(self, place: list[int]) -> None:
        x, y = place[0] + place[2] // 2, place[1] + place[3] // 2
        self._do("mousemove", "--sync", str(x), str(y), "click", "1")

    def click(self, name: str) -> None:
        """Click the middle of what bears a name."""
        self.see(lambda seen: name in seen["places"], f"{name!r} to be there")
        self.click_at(self.seen()["places"][name])

    def click_row(self, name: str, row: int) -> None:
        """Click the first cell of a row."""
        self.see(lambda seen: len(seen["rows"].get(name, [])) > row, f"row {row} of {name!r}")
        self.click_at(self.seen()["rows"][name][row])


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
    seen = tmp_path / "seen.json"
    with said.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, str(HERE / "watched_program.py"), str(seen), "--library",
             str(folder)],
            env=environment, stdout=file, stderr=file,
        )  # fmt: skip
    try:
        yield Hand(environment, seen), folder, tmp_path / "after the hammers.flac"
        assert process.poll() is None, said.read_text(errors="replace")
        assert "Traceback" not in said.read_text(errors="replace")
    finally:
        process.terminate()
        process.wait(30)


def test_import_evenness_note_ring_on_tick_compare(program: tuple[Hand, Path, Path]) -> None:
    hand, folder, recording = program
    keys = {entry.name: entry.shortcut.replace("Ctrl", "ctrl") for entry in available_pages()}

    def go(page: str) -> None:
        hand.press_until(keys[page], lambda seen: seen["page"] == page, f"the page {page}")
        hand.see(lambda seen: seen["is_idle"], f"the page {page} to come to rest")

    def measured() -> int:
        with Library(folder) as library:
            return len(library.measuring.figures([run.id for run in library.runs.all()]))

    def ticks() -> int:
        with Library(folder) as library:
            newest = library.runs.all()[-1]
            return sum(entry.is_done for entry in library.worklist(newest.id).entries)

    # The list of instruments: Enter opens the one there is.
    hand.see(lambda seen: len(seen["rows"].get("Instruments", [])) == 1, "the instrument")
    hand.press_until("Return", lambda seen: seen["page"] == "instrument", "the instrument's page")
    assert measured() == 2

    # Import: the system's file dialog, then what is to be known of the run, typed and clicked.
    hand.press_until("ctrl+o", lambda seen: seen["modal"] == "Recording", "the file dialog")
    hand.focus()
    hand.type(str(recording))
    hand.press_until(
        "Return", lambda seen: seen["modal"] == "Import a recording", "the dialog of the import"
    )
    hand.click("Condition")
    hand.see(lambda seen: seen["focus"] == "Condition", "the keyboard in the field")
    hand.type("once more")
    hand.click("Import and measure")
    hand.see(lambda seen: seen["modal"] == "", "the import to begin")
    wait_for(lambda: measured() == 3, "the imported run to be measured")
    hand.see(lambda seen: seen["page"] == "evenness" and seen["is_idle"], "the evenness page")
    with Library(folder) as library:
        assert library.runs.all()[-1].condition == "once more"

    # Evenness: along the keyboard of the map to one key, Enter to its note.
    hand.see(lambda seen: "Map of the run over the keyboard" in seen["places"], "the map")
    hand.press_until("Home", lambda seen: seen["midi"] == 53, "the lowest key")
    for midi in range(54, HARD + 1):
        hand.press_until("Right", lambda seen, m=midi: seen["midi"] >= m, f"the key {midi}")
    hand.press_until("Return", lambda seen: seen["page"] == "note", "the note")
    assert hand.seen()["midi"] >= HARD
    hand.see(lambda seen: seen["is_idle"], "the note's sound to be read")
    at = hand.seen()["midi"]
    hand.click("key \N{RIGHTWARDS ARROW}")
    hand.see(lambda seen: seen["midi"] == at + 1, "the next key")

    # Ring-on: the matrix has the keyboard, Enter goes to the struck key's note.
    go("ring_on")
    hand.see(lambda seen: "Struck keys against ringing strings" in seen["places"], "the matrix")
    hand.press_until("Left", lambda seen: seen["midi"] == at, "the key before")
    hand.press_until("Return", lambda seen: seen["page"] == "note", "the note again")

    # The worklist: the mouse ticks the first entry off; undo takes the tick away, redo brings it.
    go("evenness")
    hand.click_row("Worklist", 0)
    wait_for(lambda: ticks() == 1, "the tick to be in the library")
    hand.press("ctrl+z")
    wait_for(lambda: ticks() == 0, "the tick to be taken away")
    hand.press("ctrl+shift+z")
    wait_for(lambda: ticks() == 1, "the tick to be back")

    # Compare: the first three runs of the instrument, ticked in the list.
    go("compare")
    hand.see(lambda seen: "Runs over the keyboard" in seen["places"], "the lanes of both runs")
    hand.see(lambda seen: sum("[2]" in text for text in seen["texts"]) >= 1, "values of two runs")
    go("help")
