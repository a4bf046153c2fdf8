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
        """Write the text in the colours in use."""
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
    parts.append("<h2>Keys of the computer</h2><table>")
    parts += [_shortcut_row(action) for action in actions if not action.shortcut().isEmpty()]
    parts += [
        f"<tr><td><b>{key}</b></td><td>{escape(text)}</td><td></td></tr>"
        for key, text in (
            ("Tab", "On to the next field or button"),
            ("Enter", "Open what is chosen; in a cell, type into it"),
            ("Space", "Tick what is chosen, press a button"),
            ("Alt", "The menus; the underlined letter chooses"),
        )
    ]
    parts.append("</table>")
    return "\n".join(parts)


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
