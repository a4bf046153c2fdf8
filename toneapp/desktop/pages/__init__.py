"""The pages of the window, in their order: the one list to add a page to.

A page's module is imported when the page is first shown. `available_pages` leaves out what is not
there (a part of the program that was left out of a bundle).

Classes and functions: `PageEntry`, `available_pages`, `page_class`. Data: `PAGES`.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from importlib.util import find_spec

from toneapp.desktop.pages.base import Page

__all__ = ["PAGES", "Page", "PageEntry", "available_pages", "page_class"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageEntry:
    """One page: what it is called and where it is written."""

    name: str  # for `AppModel.go`, tests and settings
    title: str  # beside its sign in the list of pages
    help_text: str
    shortcut: str
    module: str
    class_name: str
    needs_run: bool = False  # shows the chosen run, so the choice of runs stands above it


PAGES = (
    PageEntry(
        name="instruments",
        title="Instruments",
        help_text="All instruments of the library",
        shortcut="Ctrl+1",
        module="toneapp.desktop.pages.instruments",
        class_name="InstrumentsPage",
    ),
    PageEntry(
        name="instrument",
        title="This instrument",
        help_text="Facts, runs, worksheet and hand measurements of the chosen instrument",
        shortcut="Ctrl+2",
        module="toneapp.desktop.pages.instrument",
        class_name="InstrumentPage",
    ),
    PageEntry(
        name="record",
        title="Record",
        help_text="Record a run key by key, hands free",
        shortcut="Ctrl+3",
        module="toneapp.desktop.pages.record",
        class_name="RecordPage",
    ),
    PageEntry(
        name="evenness",
        title="Evenness",
        help_text="Every key against the instrument's own trend, and the worklist",
        shortcut="Ctrl+4",
        module="toneapp.desktop.pages.evenness",
        class_name="EvennessPage",
        needs_run=True,
    ),
    PageEntry(
        name="note",
        title="Note",
        help_text="One key: partials, decay, what sounds after the release, listening",
        shortcut="Ctrl+5",
        module="toneapp.desktop.pages.note",
        class_name="NotePage",
        needs_run=True,
    ),
    PageEntry(
        name="ring_on",
        title="Ring-on",
        help_text="Which strings sound on after which keys, and which dampers to check",
        shortcut="Ctrl+6",
        module="toneapp.desktop.pages.ringon",
        class_name="RingOnPage",
        needs_run=True,
    ),
    PageEntry(
        name="compare",
        title="Compare",
        help_text="Before and after, or several instruments beside one another",
        shortcut="Ctrl+7",
        module="toneapp.desktop.pages.compare",
        class_name="ComparePage",
    ),
    PageEntry(
        name="sheet",
        title="Sheet",
        help_text="A sheet to print or to send, with sound clips",
        shortcut="Ctrl+8",
        module="toneapp.desktop.pages.sheet",
        class_name="SheetPage",
    ),
    PageEntry(
        name="run",
        title="Strikes",
        help_text="The recording as a waveform: name a strike anew, leave one out, add one",
        shortcut="Ctrl+9",
        module="toneapp.desktop.pages.run_page",
        class_name="RunPage",
        needs_run=True,
    ),
    PageEntry(
        name="help",
        title="Help",
        help_text="What each measure means, cautions, and all shortcuts",
        shortcut="F1",
        module="toneapp.desktop.help_page",
        class_name="HelpPage",
    ),
)


def available_pages() -> tuple[PageEntry, ...]:
    """Return the pages whose module is there."""
    return tuple(entry for entry in PAGES if find_spec(entry.module) is not None)


def page_class(entry: PageEntry) -> type[Page]:
    """Import a page's class."""
    found: type[Page] = getattr(importlib.import_module(entry.module), entry.class_name)
    assert issubclass(found, Page), entry.class_name
    return found
