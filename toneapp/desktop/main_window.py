"""What frames the pages: the list of them, the choice of runs, progress with a stop, one line.

Pages come from `toneapp.desktop.pages.PAGES` and are built when first shown.

Classes: `MainWindow`.
"""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QMainWindow,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages import Page, PageEntry, available_pages, page_class
from toneapp.desktop.pages.import_dialog import sound_of_drop
from toneapp.desktop.run_bar import RunBar
from toneapp.desktop.settings import Settings
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.desktop.window_actions import LibraryActions

__all__ = ["MainWindow"]

logger = logging.getLogger(__name__)

SMALLEST_PX = (900, 600)
FIRST_PX = (1280, 800)
GOOD_NEWS_MS = 6000


class MainWindow(QMainWindow):
    """One window on the library.

    Parameters
    ----------
    model : AppModel
        What it looks at; closed with it.
    theme : Theme
        Colours and sizes, shared by all windows.
    settings : Settings
        What is remembered.
    open_another : callable, optional
        Opens a second window on the same library.
    """

    def __init__(
        self,
        model: AppModel,
        theme: Theme,
        settings: Settings,
        *,
        open_another: Callable[[MainWindow], object] | None = None,
    ) -> None:
        super().__init__()
        self.model = model
        self.theme = theme
        self.settings = settings
        self.actions_by_name = Actions(self)
        self._open_another = open_another
        self._entries: dict[str, PageEntry] = {entry.name: entry for entry in available_pages()}
        self._pages: dict[str, Page] = {}
        self._last_page = ""
        self.setWindowTitle("toneapp")
        self.setMinimumSize(*SMALLEST_PX)
        self.library_actions = LibraryActions(self, model, theme, settings, self.actions_by_name)
        self._build()
        self._add_actions()
        self._build_menus()
        self.setAcceptDrops(True)
        model.page_wanted.connect(self.show_page)
        model.busy_changed.connect(self._show_busy)
        model.failed.connect(self.show_error)
        model.said.connect(self.show_news)
        model.history_changed.connect(self._show_history)
        model.instrument_changed.connect(self._show_title)
        theme.changed.connect(self._fit_sizes)
        self._fit_sizes()
        self.resize(*FIRST_PX)
        if not settings.geometry.isEmpty():
            self.restoreGeometry(settings.geometry)
        self.show_page(next(iter(self._entries), ""))

    # Pages

    @property
    def page_names(self) -> tuple[str, ...]:
        """Names of the pages there are."""
        return tuple(self._entries)

    @property
    def page(self) -> Page | None:
        """The page that is shown."""
        current = self._stack.currentWidget()
        return current if isinstance(current, Page) else None

    def page_of(self, name: str) -> Page:
        """Page by its name, built if it was not yet."""
        if name not in self._pages:
            entry = self._entries[name]
            page = page_class(entry)(self.model, self.theme, self.actions_by_name, self._stack)
            self._pages[name] = page
            self._stack.addWidget(page)
            for key, splitter in self._splitters(name, page):
                splitter.restoreState(self.settings.splitter(key))
        return self._pages[name]

    def build_pages(self) -> None:
        """Build every page, so that all that can be done is known."""
        for name in self._entries:
            self.page_of(name)

    def show_page(self, name: str) -> None:
        """Bring a page to the front and the keyboard to it."""
        if name not in self._entries:
            logger.debug("no page %r", name)
            return
        page = self.page_of(name)
        self._last_page = name
        self._stack.setCurrentWidget(page)
        self._show_title()
        self.run_bar.setVisible(self._entries[name].needs_run)
        row = list(self._entries).index(name)
        if self.page_list.currentRow() != row:
            self.page_list.blockSignals(True)
            self.page_list.setCurrentRow(row)
            self.page_list.blockSignals(False)
        page.setFocus(Qt.FocusReason.OtherFocusReason)

    # The line below

    def show_error(self, message: str) -> None:
        """Show one sentence until it is put away."""
        self._news.stop()
        self.line.setText(message[:1].upper() + message[1:])
        self.line.setProperty("accent", True)
        self._restyle(self.line)
        self.line_bar.setVisible(True)
        self.line.setAccessibleName(message)

    def show_news(self, message: str) -> None:
        """Show one sentence for some seconds."""
        self.line.setText(message)
        self.line.setProperty("accent", False)
        self._restyle(self.line)
        self.line_bar.setVisible(True)
        self.line.setAccessibleName(message)
        self._news.start(GOOD_NEWS_MS)

    def closeEvent(self, event: QCloseEvent) -> None:
        """Remember the place of the window and end its work, unless a page asks first."""
        asking = [page for page in self._pages.values() if page.keeps_open()]
        if asking:
            event.ignore()
            return
        for page in self._pages.values():
            page.let_go()
        self.settings.geometry = self.saveGeometry()
        self.settings.page = self._last_page
        for name, page in self._pages.items():
            for key, splitter in self._splitters(name, page):
                self.settings.set_splitter(key, splitter.saveState())
        self.settings.save()
        self.model.close()
        super().closeEvent(event)

    # Building

    def _build(self) -> None:
        self.page_list = QListWidget(self)
        self.page_list.setObjectName("pages")
        self.page_list.setAccessibleName("Pages")
        self.page_list.setFrameShape(QListWidget.Shape.NoFrame)
        self.page_list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        for entry in self._entries.values():
            item = QListWidgetItem(entry.title, self.page_list)
            item.setToolTip(f"{entry.help_text} ({entry.shortcut})")
            item.setData(Qt.ItemDataRole.UserRole, entry.name)
        self.page_list.currentItemChanged.connect(self._page_picked)
        self.run_bar = RunBar(self.model, self.theme, self)
        self._stack = QStackedWidget(self)
        self._build_lines()
        right = QWidget(self)
        column = QVBoxLayout(right)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.run_bar)
        column.addWidget(self._stack, 1)
        column.addWidget(self.busy_bar)
        column.addWidget(self.line_bar)
        middle = QWidget(self)
        row = QHBoxLayout(middle)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(0)
        row.addWidget(self.page_list)
        row.addWidget(right, 1)
        self.setCentralWidget(middle)

    def _build_lines(self) -> None:
        self.busy_bar = QWidget(self)
        self.busy_label = QLabel(self.busy_bar)
        self.busy_label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.progress = QProgressBar(self.busy_bar)
        self.progress.setRange(0, 1000)
        self.progress.setFixedWidth(320)
        self.progress.setAccessibleName("Progress")
        self.stop_button = QPushButton("Stop", self.busy_bar)
        self.stop_button.setAccessibleDescription("Stop the work that is shown beside")
        self.stop_button.clicked.connect(self.stop_work)
        busy = QHBoxLayout(self.busy_bar)
        busy.setContentsMargins(GAP_PX, 6, GAP_PX, 6)
        busy.addWidget(self.busy_label, 1)
        busy.addWidget(self.progress)
        busy.addWidget(self.stop_button)
        self.busy_bar.setVisible(False)
        self.line_bar = QWidget(self)
        self.line = QLabel(self.line_bar)
        self.line.setWordWrap(True)
        self.line.setTextFormat(Qt.TextFormat.PlainText)
        self.line.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        put_away = QPushButton("Put away", self.line_bar)
        put_away.clicked.connect(lambda: self.line_bar.setVisible(False))
        line = QHBoxLayout(self.line_bar)
        line.setContentsMargins(GAP_PX, 6, GAP_PX, 6)
        line.addWidget(self.line, 1)
        line.addWidget(put_away)
        self.line_bar.setVisible(False)
        self._news = QTimer(self)
        self._news.setSingleShot(True)
        self._news.timeout.connect(lambda: self.line_bar.setVisible(False))

    def _add_actions(self) -> None:
        add = self.actions_by_name.add
        for entry in self._entries.values():
            add(
                f"page_{entry.name}",
                entry.title,
                on=functools.partial(self.show_page, entry.name),
                shortcut=entry.shortcut,
                help_text=entry.help_text,
            )
        add(
            "undo",
            "Undo",
            on=self.model.undo,
            shortcut="Ctrl+Z",
            help_text="Take back the last edit of the library.",
        ).setEnabled(False)
        add(
            "redo",
            "Do again",
            on=self.model.redo,
            shortcut="Ctrl+Y; Ctrl+Shift+Z",
            help_text="Do again what was undone.",
        ).setEnabled(False)
        add(
            "next_part",
            "Next part of the window",
            on=self._next_part,
            shortcut="F6",
            help_text="Bring the keyboard from the list of pages to the page, and back.",
        )
        add(
            "second_window",
            "Second window",
            on=self._second_window,
            shortcut="Ctrl+Shift+N",
            help_text="Another window on the same library, to see two pages at once.",
        )
        add(
            "close",
            "Close window",
            on=self.close,
            shortcut="Ctrl+W",
            help_text="Close this window; everything is kept already.",
        )

    def _build_menus(self) -> None:
        for title, names in (
            (
                "&Library",
                (
                    "add_instrument",
                    "import_file",
                    "import_folder",
                    "example_workshop",
                    "",
                    "archive_out",
                    "archive_in",
                    "",
                    "bin",
                    "settings",
                    "",
                    "second_window",
                    "close",
                ),
            ),
            ("&Edit", ("undo", "redo")),
            ("&Go to", (*(f"page_{name}" for name in self._entries), "", "next_part")),
        ):
            menu = self.menuBar().addMenu(title)
            menu.setToolTipsVisible(True)
            for name in names:
                if name:
                    menu.addAction(self.actions_by_name[name])
                else:
                    menu.addSeparator()

    # Dropped files

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Take one file or folder of this computer, while the library is open."""
        if self.model.library is not None and sound_of_drop(event.mimeData()) is not None:
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Import what is dropped."""
        sound = sound_of_drop(event.mimeData())
        if sound is not None:
            event.acceptProposedAction()
            # The dialog comes after the drop has ended, so that the source is not kept waiting.
            QTimer.singleShot(0, self, lambda: self.library_actions.import_sound(sound))

    # Answers to the model

    def stop_work(self) -> None:
        """Stop the long work that is running."""
        for task in self.model.tasks.long_tasks[:1]:
            task.cancel()

    def _show_busy(self, label: str, share: float) -> None:
        self.busy_bar.setVisible(bool(label))
        self.busy_label.setText(label[:1].upper() + label[1:])
        self.progress.setValue(round(1000 * share))

    def _show_history(self, undo: str, redo: str) -> None:
        for name, word, label in (("undo", "Undo", undo), ("redo", "Do again", redo)):
            action = self.actions_by_name[name]
            action.setEnabled(bool(label))
            action.setText(f"{word}: {label}" if label else word)

    def _show_title(self, *_ignored: object) -> None:
        """Name page and instrument above the window and in the list of windows."""
        entry = self._entries.get(self._last_page)
        instrument = self.model.instrument
        words = [] if entry is None else [entry.title]
        if instrument is not None and self._last_page != "instruments":
            words.append(instrument.name)
        self.setWindowTitle(" - ".join([*words, "toneapp"]))

    def _page_picked(self, item: QListWidgetItem | None) -> None:
        if item is not None:
            self.show_page(str(item.data(Qt.ItemDataRole.UserRole)))

    def _next_part(self) -> None:
        """Bring the keyboard to the page, or from there to the list of pages."""
        reason = Qt.FocusReason.ShortcutFocusReason
        page = self.page
        if self.page_list.hasFocus() and page is not None:
            page.setFocus(reason)
        else:
            self.page_list.setFocus(reason)

    def _second_window(self) -> None:
        if self._open_another is not None:
            self._open_another(self)

    def _fit_sizes(self) -> None:
        self.page_list.setFont(self.theme.font(scale=1.08))
        metrics = self.page_list.fontMetrics()
        widest = max(
            (metrics.horizontalAdvance(entry.title) for entry in self._entries.values()),
            default=0,
        )
        self.page_list.setFixedWidth(widest + 44)

    @staticmethod
    def _splitters(name: str, page: Page) -> list[tuple[str, QSplitter]]:
        """Parts of a page that the person can make larger and smaller, each with a name."""
        found = page.findChildren(QSplitter)
        return [(f"{name}-{place}", splitter) for place, splitter in enumerate(found)]

    @staticmethod
    def _restyle(widget: QWidget) -> None:
        widget.style().unpolish(widget)
        widget.style().polish(widget)
