"""Pictures of every page and dialog, small and large, light and dark, for people to look at.

``python packaging/screenshots.py FOLDER [--library DIR] [--only PAGE ...]`` needs no screen.
Without a library the example workshop is built first, which takes a minute or two. ``empty``,
``dialogs`` and ``recording`` are names for --only too. Look at every picture: nothing may be
clipped, crowded, grey on grey or empty.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

SIZES = ((1280, 800), (1920, 1080))
SETTLE_S = 0.4  # a page has drawn what it loads in the background by then
LONGEST_S = 60.0


def main(words: Sequence[str] | None = None) -> int:
    """Write the pictures; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--library", type=Path, help="take this library, not the example")
    parser.add_argument("--only", nargs="*", default=None, metavar="PAGE", help="names of pages")
    parser.add_argument("--scale", default="1", help="pixels per point, such as 2")
    arguments = parser.parse_args(words)
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    os.environ["QT_SCALE_FACTOR"] = arguments.scale
    arguments.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        library = arguments.library or example_library(Path(scratch) / "library")
        draw_all(library, arguments.folder, Path(scratch), arguments.only)
    return 0


def example_library(folder: Path) -> Path:
    """Build the example workshop in a folder."""
    from toneapp.desktop.example_workshop import build_example
    from toneapp.library import Library
    from toneapp.measured_library import analyse_with

    with Library(folder) as library:
        build_example(library, analyse_with(None), progress=lambda _share: None)
    return folder


def draw_all(library: Path, folder: Path, scratch: Path, only: Sequence[str] | None) -> None:
    """Draw all pages in all sizes and colours."""
    from PySide6.QtCore import QSettings
    from PySide6.QtWidgets import QApplication

    from toneapp.desktop.app import WindowApp
    from toneapp.desktop.settings import Settings
    from toneapp.desktop.theme import ThemeMode
    from toneapp.library import Purpose

    application = QApplication([])
    store = QSettings(str(scratch / "settings.ini"), QSettings.Format.IniFormat)
    program = WindowApp(application, settings=Settings(store), library_folder=library)
    window = program.open_window()
    model = window.model
    wait_until(application, lambda: model.library is not None)
    if not only or "empty" in only:
        draw_empty(application, program, window, folder)
    runs = model.read(lambda lib: lib.runs.all(), ())
    even = [run for run in runs if run.purpose is Purpose.EVENNESS]
    ringing = [run for run in runs if run.purpose is Purpose.RING_ON]
    for mode in (ThemeMode.LIGHT, ThemeMode.DARK):
        program.theme.set_mode(mode)
        for width, height in SIZES:
            window.resize(width, height)
            for name in window.page_names:
                if only and name not in only:
                    continue
                chosen = ringing if name == "ring_on" and ringing else even
                if chosen and model.run_id != chosen[0].id:
                    model.choose_run(chosen[0].id)
                    wait_until(application, lambda: model.run is not None)
                wants_two = name in ("compare", "evenness") and len(chosen) > 1
                model.compare_with(chosen[1].id if wants_two else None)
                if wants_two:
                    wait_until(application, lambda: model.comparison is not None)
                raised = [n for n in model.run.result.notes if n.raised] if model.run else []
                model.choose_note(raised[0].midi if raised else 60)
                window.show_page(name)
                wait_until(application, lambda: model.tasks.is_idle)
                settle(application)
                path = folder / f"{name}-{width}x{height}-{mode.value}.png"
                wait_until(application, lambda: model.tasks.is_idle)
                settle(application)
                window.grab().save(str(path))
                if name == "instrument":
                    draw_tabs(application, window, path)
                elif name == "sheet":
                    draw_kinds(application, window, path)
                elif name == "compare":
                    draw_figures(application, window, path)
                elif name == "run":
                    draw_closely(application, window, path)
                elif name == "ring_on" and len(chosen) > 1:
                    draw_beside(application, window, path, chosen[1].id)
            if not only or "dialogs" in only:
                draw_dialogs(application, window, folder, f"{width}x{height}-{mode.value}")
    window.close()
    if not only or "recording" in only:
        from record_pictures import draw_recording

        draw_recording(application, folder, scratch)


def draw_tabs(application: object, window: object, path: Path) -> None:
    """Draw the tabs behind the first one."""
    page = window.page_of("instrument")  # type: ignore[attr-defined]
    for index in range(1, page.tabs.count()):
        page.tabs.setCurrentIndex(index)
        settle(application)
        word = page.tabs.tabText(index).replace("&", "").split()[0].lower()
        window.grab().save(str(path.with_name(path.name.replace("instrument", word))))  # type: ignore[attr-defined]
    page.tabs.setCurrentIndex(0)


def draw_empty(application: object, program: object, window: object, folder: Path) -> None:
    """Draw the pages while nothing is chosen, as they are after the first start."""
    from toneapp.desktop.theme import ThemeMode

    window.model.choose_instrument(0)  # type: ignore[attr-defined]
    window.model.choose_run(0)  # type: ignore[attr-defined]
    window.resize(*SIZES[0])  # type: ignore[attr-defined]
    for mode in (ThemeMode.LIGHT, ThemeMode.DARK):
        program.theme.set_mode(mode)  # type: ignore[attr-defined]
        for name in window.page_names:  # type: ignore[attr-defined]
            window.show_page(name)  # type: ignore[attr-defined]
            settle(application)
            window.grab().save(str(folder / f"empty-{name}-{mode.value}.png"))  # type: ignore[attr-defined]


def draw_figures(application: object, window: object, path: Path) -> None:
    """Draw the figures of a comparison, and one of several instruments."""
    page = window.page_of("compare")  # type: ignore[attr-defined]
    page.tabs.setCurrentIndex(1)
    settle(application)
    window.grab().save(str(path.with_name(f"compare-figures-{path.name}")))  # type: ignore[attr-defined]
    before = page.ticked()
    every = [choice.run_id for choice in page._choices]
    for word, runs in (("instruments", every[1:3]), ("ring_on", every[2:4])):
        page.choose_runs(runs)
        for tab, name in ((1, "figures"), (0, "keys")):
            page.tabs.setCurrentIndex(tab)
            wait_until(application, lambda: page.model.tasks.is_idle)
            settle(application)
            window.grab().save(str(path.with_name(f"compare-{word}-{name}-{path.name}")))  # type: ignore[attr-defined]
    page.choose_runs(before)


def draw_closely(application: object, window: object, path: Path) -> None:
    """Draw some strikes of the recording from near."""
    page = window.page_of("run")  # type: ignore[attr-defined]
    page.waveform.look_closely(page.rows[30].begin_s)
    page.table.choose(page.rows[31].key)
    settle(application)
    window.grab().save(str(path.with_name(f"run-closely-{path.name}")))  # type: ignore[attr-defined]


def draw_beside(application: object, window: object, path: Path, run_id: int) -> None:
    """Draw two ring-on runs held against each other, and a note that rings on."""
    window.model.compare_with(run_id)  # type: ignore[attr-defined]
    wait_until(application, lambda: window.model.comparison is not None)  # type: ignore[attr-defined]
    settle(application)
    wait_until(application, lambda: window.model.tasks.is_idle)  # type: ignore[attr-defined]
    settle(application)
    window.grab().save(str(path.with_name(f"ring_on-beside-{path.name}")))  # type: ignore[attr-defined]
    window.model.compare_with(None)  # type: ignore[attr-defined]
    leaks = window.page_of("ring_on").dampers.rows_model.rows  # type: ignore[attr-defined]
    if leaks:
        window.model.choose_note(leaks[0].midi)  # type: ignore[attr-defined]
    for page in ("note", "evenness"):
        window.show_page(page)  # type: ignore[attr-defined]
        wait_until(application, lambda: window.model.tasks.is_idle)  # type: ignore[attr-defined]
        settle(application)
        window.grab().save(str(path.with_name(f"{page}-of-{path.name}")))  # type: ignore[attr-defined]


def draw_dialogs(application: object, window: object, folder: Path, name: str) -> None:
    """Draw the dialogs that stand over the window."""
    actions = window.library_actions  # type: ignore[attr-defined]
    sound = folder / "a recording.flac"
    for word, begin in (
        ("import", lambda: actions.import_sound(sound)),
        ("instrument", actions.add_instrument),
        ("settings", actions.open_settings),
        ("bin", actions.open_bin),
    ):
        begin()
        settle(application)
        dialog = application.activeModalWidget()  # type: ignore[attr-defined]
        if dialog is None:
            raise RuntimeError(f"the dialog {word} does not open")
        dialog.grab().save(str(folder / f"dialog-{word}-{name}.png"))
        dialog.close()
        settle(application)


def draw_kinds(application: object, window: object, path: Path) -> None:
    """Draw the kinds of sheet besides the one that is chosen."""
    page = window.page_of("sheet")  # type: ignore[attr-defined]
    first = page.panel.wish.kind
    for kind in type(first):
        page.panel.choose_kind(kind)
        settle(application)
        wait_until(application, lambda: page.model.tasks.is_idle)
        settle(application)
        if kind is not first:
            name = path.name.replace("sheet-", f"sheet-{kind.value}-")
            window.grab().save(str(path.with_name(name)))  # type: ignore[attr-defined]
    page.panel.choose_kind(first)


def settle(application: object) -> None:
    """Let the page draw what it loads."""
    end = time.monotonic() + SETTLE_S
    while time.monotonic() < end:
        application.processEvents()  # type: ignore[attr-defined]
        time.sleep(0.01)


def wait_until(application: object, is_so: Callable[[], bool]) -> None:
    """Wait for something that is loaded in the background."""
    end = time.monotonic() + LONGEST_S
    while not is_so():
        if time.monotonic() > end:
            raise TimeoutError("the window does not come to rest")
        application.processEvents()  # type: ignore[attr-defined]
        time.sleep(0.01)


if __name__ == "__main__":
    sys.exit(main())
