"""What can be done in the window, and with which keys?

Every action of the person is one `QAction` with a name, a shortcut and a sentence of help. Menus,
buttons, the help page and the tests use the same one.

Classes: `Actions`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QToolButton, QWidget

__all__ = ["Actions"]


class Actions:
    """The actions of one window, by name.

    Parameters
    ----------
    window : QWidget
        Owns the actions that hold everywhere in it.
    """

    def __init__(self, window: QWidget) -> None:
        self._window = window
        self._actions: dict[str, QAction] = {}

    def add(
        self,
        name: str,
        text: str,
        *,
        on: Callable[[], object],
        shortcut: str = "",
        help_text: str = "",
        page: QWidget | None = None,
        is_checkable: bool = False,
    ) -> QAction:
        """Make an action.

        Parameters
        ----------
        name : str
            For the code and the tests, such as ``"undo"``; unique in the window.
        text : str
            On menus and buttons; a few words.
        on : callable
            Carried out without arguments; ask the action itself whether it is checked.
        shortcut : str
            Such as ``"Ctrl+Z"``; several are parted by ``"; "``.
        help_text : str
            One plain sentence, also the tooltip.
        page : QWidget, optional
            The shortcut holds only while the keyboard is in this widget; in the whole window
            without it.
        is_checkable : bool
            It can be on or off.

        Raises
        ------
        ValueError
            If the name is taken.
        """
        if name in self._actions:
            raise ValueError(f"there is an action {name!r} already")
        owner = page if page is not None else self._window
        action = QAction(text, owner)
        action.setObjectName(name)
        action.setCheckable(is_checkable)
        action.setShortcuts([QKeySequence(part) for part in shortcut.split("; ") if part])
        if page is not None:
            action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shown = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
        tip = help_text or text
        action.setToolTip(f"{tip} ({shown})" if shown else tip)
        action.setStatusTip(help_text)
        action.setWhatsThis(help_text)
        action.triggered.connect(lambda _checked=False: on())
        owner.addAction(action)
        self._actions[name] = action
        return action

    def button(self, name: str, parent: QWidget | None = None) -> QToolButton:
        """Make a button for an action: text, tooltip, state and shortcut come from it."""
        button = QToolButton(parent)
        button.setDefaultAction(self[name])
        button.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextOnly)
        button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        button.setAccessibleName(self[name].text().replace("&", ""))
        button.setAccessibleDescription(self[name].whatsThis())
        return button

    def __getitem__(self, name: str) -> QAction:
        """Action by its name."""
        return self._actions[name]

    def __contains__(self, name: object) -> bool:
        """Tell whether there is an action of this name."""
        return name in self._actions

    def __iter__(self) -> Iterator[QAction]:
        """Iterate over the actions in the order of making."""
        return iter(self._actions.values())
