"""What does each measure mean, what is to be minded, and which keys do what?

Classes: `HelpPage`. Functions: `help_html`.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import ClassVar

from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QTextBrowser, QVBoxLayout, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.measure_words import MEASURE_WORDS, READING_WORDS, WAY_WORDS
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.theme import GAP_PX, Colours, Theme

__all__ = ["HelpPage", "help_html"]


class HelpPage(Page):
    """One text to read and to search with the eye."""

    name: ClassVar[str] = "help"
    title: ClassVar[str] = "Help"

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self.text = QTextBrowser(self.body)
        self.text.setAccessibleName("Help")
        self.text.setOpenExternalLinks(False)
        layout = QVBoxLayout(self.body)
        layout.setContentsMargins(GAP_PX, GAP_PX, GAP_PX, GAP_PX)
        layout.addWidget(self.text)
        self.setFocusProxy(self.text)

    def follow(self) -> tuple[str, ...]:
        """Follow nothing: the text does not change."""
        return ()

    def empty_state(self) -> str:
        """There is always something to read."""
        return ""

    def refresh(self) -> None:
        """Write the text in the colours in use; pages that were not shown yet have keys too."""
        build = getattr(self.window(), "build_pages", None)
        if build is not None:
            build()
        place = self.text.verticalScrollBar().value()
        self.text.setHtml(help_html(self.actions_of_window, self.theme.colours))
        self.text.verticalScrollBar().setValue(place)


def help_html(actions: Iterable[QAction], colours: Colours) -> str:
    """Write the help text.

    Parameters
    ----------
    actions : iterable of QAction
        What can be done; those with a shortcut are listed.
    colours : Colours
        Of headings and quiet words.
    """
    from toneapp.evenness import load_advice

    book = load_advice()
    every = (*book.raised.values(), *book.cause.values(), book.sluggish_key)
    cautions = dict.fromkeys(caution.text for advice in every for caution in advice.cautions)
    parts = [
        f"<style>h2 {{ color: {colours.accent}; }} td {{ padding: 3px 14px 3px 0; }}"
        f" .quiet {{ color: {colours.muted}; }} li {{ margin-bottom: 4px; }}</style>",
        "<h2>The way</h2>",
        _list(WAY_WORDS, tag="ol"),
        "<h2>How to read the values</h2>",
        _list(READING_WORDS),
        "<h2>The measures</h2><table>",
    ]
    parts += [
        f"<tr><td><b>{escape(item.name)}</b></td><td>{escape(item.sentence)}<br>"
        f"<span class='quiet'>{escape(item.unit)}</span></td></tr>"
        for item in MEASURE_WORDS
    ]
    parts += ["</table><h2>Cautions</h2>", _list(cautions), f"<p>{escape(book.defer)}</p>"]
    parts.append("<h2>Keys of the computer</h2>")
    sections: dict[str, list[str]] = {EVERYWHERE: []}
    for action in actions:
        if not action.shortcut().isEmpty():
            sections.setdefault(_place_of(action), []).append(_shortcut_row(action))
    for place, rows in (
        (EVERYWHERE, sections.pop(EVERYWHERE) + _rows(_ANYWHERE)),
        *sections.items(),
        ("Drawings over the keyboard", _rows(_DRAWINGS)),
        ("Waveform", _rows(_WAVEFORM)),
    ):
        parts += [f"<h3>{escape(place)}</h3><table>", *rows, "</table>"]
    return "\n".join(parts)


EVERYWHERE = "Everywhere"

_ANYWHERE = (
    ("Tab", "On to the next field or button", ""),
    ("Enter", "Open what is chosen; in a cell, type into it", ""),
    ("Space", "Tick what is chosen, press a button", ""),
    ("Alt", "The menus; the underlined letter chooses", ""),
)
_DRAWINGS = (
    ("Left, Right", "The next key", "Choose the key beside the chosen one."),
    ("Page Up, Page Down", "An octave", "Choose the key an octave up or down."),
    ("Home, End", "The ends", "Choose the lowest or the highest key."),
    ("Up, Down", "Lane or string", "Go to another lane, or to another string that rings."),
    ("Enter", "The note", "Open the page of the chosen key."),
)
_WAVEFORM = (
    ("Left, Right", "The place", "Move the place pointed at; with Shift in small steps."),
    ("+, -", "Closer, farther", "Show less or more of the recording."),
    ("Home, End", "The ends", "Show the beginning or the end of the recording."),
    ("Up, Down", "1 ms", "In the fields Begins and Ends: move the bound by 1 ms."),
    ("Page Up, Page Down", "10 ms", "In the fields Begins and Ends: move the bound by 10 ms."),
)


def _rows(keys: Iterable[tuple[str, str, str]]) -> list[str]:
    return [
        f"<tr><td><b>{escape(key)}</b></td><td>{escape(text)}</td>"
        f"<td class='quiet'>{escape(more)}</td></tr>"
        for key, text, more in keys
    ]


def _place_of(action: QAction) -> str:
    """Where a shortcut holds: on a page, or everywhere."""
    owner = action.parent()
    while owner is not None:
        if isinstance(owner, Page):
            return owner.title
        owner = owner.parent()
    return EVERYWHERE


def _list(texts: Iterable[str], *, tag: str = "ul") -> str:
    return f"<{tag}>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + f"</{tag}>"


def _shortcut_row(action: QAction) -> str:
    keys = " or ".join(
        shortcut.toString(QKeySequence.SequenceFormat.NativeText)
        for shortcut in action.shortcuts()
    )
    text = action.text().partition(":")[0].replace("&", "")
    return (
        f"<tr><td><b>{escape(keys)}</b></td><td>{escape(text)}</td>"
        f"<td class='quiet'>{escape(action.whatsThis())}</td></tr>"
    )
