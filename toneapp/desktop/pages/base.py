"""What is a page of the window?

A page shows the model and sends what the person wants to it. It is built when it is first shown,
rebuilt only while it is seen, and says the next step when there is nothing to show.

Classes: `Page`.
"""

from __future__ import annotations

from typing import ClassVar

from PySide6.QtCore import QTimer
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QStackedLayout, QWidget

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.empty_state import EmptyPane
from toneapp.desktop.theme import Theme

__all__ = ["Page"]

MEASURING_TEXT = "The recording is being measured. Its notes appear here as they are heard."


class Page(QWidget):
    """Base of all pages.

    A page sets `name`, `title` and `empty_text`, puts its widgets into `self.body` in its
    constructor (after this one's), and fills them in `refresh`. It is refreshed, while seen, after
    each of the model's signals that it names in `follow`, and when colours or sizes change.

    Parameters
    ----------
    model : AppModel
        What the window looks at.
    theme : Theme
        Colours and sizes.
    actions : Actions
        Of the window; a page adds its own with ``page=self``.
    """

    name: ClassVar[str] = ""
    title: ClassVar[str] = ""
    empty_text: ClassVar[str] = ""

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.model = model
        self.theme = theme
        self.actions_of_window = actions
        self.setObjectName(self.name)
        self.setAccessibleName(self.title)
        self.body = QWidget(self)
        self.empty_pane = EmptyPane(theme, self)
        self._stack = QStackedLayout(self)
        self._stack.addWidget(self.body)
        self._stack.addWidget(self.empty_pane)
        self._is_stale = True
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(0)
        self._soon.timeout.connect(self._bring_up_to_date)
        theme.changed.connect(self.mark_stale)
        for signal in self.follow():
            getattr(model, signal).connect(self.mark_stale)

    def follow(self) -> tuple[str, ...]:
        """Name the model's signals after which the page is to be refreshed."""
        return ("library_changed", "instrument_changed", "run_changed")

    def empty_state(self) -> str:
        """Say the next step when there is nothing to show; empty when there is.

        By default `empty_text` while no measured run is chosen.
        """
        return self.empty_text if self.model.run is None else ""

    def empty_actions(self) -> tuple[str, ...]:
        """Name the actions offered as buttons below the empty state, the first one marked."""
        return ()

    def refresh(self) -> None:
        """Fill the widgets in `body` from the model; called only when there is something."""

    def keeps_open(self) -> bool:
        """Tell whether the window must stay open for now; the page asks the person then."""
        return False

    def let_go(self) -> None:
        """End what the page keeps going by itself, since the window closes."""

    def mark_stale(self, *_ignored: object) -> None:
        """Refresh soon if the page is seen, else when it is shown next."""
        self._is_stale = True
        if self.isVisible():
            self._soon.start()

    def refresh_now(self) -> None:
        """Refresh at once, seen or not."""
        self._is_stale = True
        self._bring_up_to_date()

    def showEvent(self, event: QShowEvent) -> None:
        """Bring the page up to date when it comes into view."""
        super().showEvent(event)
        if self._is_stale:
            self._bring_up_to_date()

    def _bring_up_to_date(self) -> None:
        if not self._is_stale:
            return
        self._is_stale = False
        text = self.empty_state()
        if text:
            names = self.empty_actions()
            if self.model.is_growing and self.model.run is None:
                text, names = MEASURING_TEXT, ()
            self.empty_pane.show_text(text, self.actions_of_window, names)
            self._stack.setCurrentWidget(self.empty_pane)
        else:
            self._stack.setCurrentWidget(self.body)
            self.refresh()
