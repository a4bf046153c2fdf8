"""A sheet to print or to send: which one, how it will look, and where it goes.

Classes: `SheetPage`.
"""

from __future__ import annotations

import functools
from pathlib import Path
from typing import ClassVar

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QFocusEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QMenu,
    QPushButton,
    QScrollArea,
    QSplitter,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from toneapp.desktop.actions import Actions
from toneapp.desktop.letterhead_dialog import LetterheadDialog
from toneapp.desktop.models import AppModel
from toneapp.desktop.pages.base import Page
from toneapp.desktop.pages.empty_state import EmptyPane
from toneapp.desktop.questions import ask
from toneapp.desktop.sheet_choice import (
    Choices,
    SheetKind,
    Wish,
    file_stem,
    first_wish,
    missing_text,
    read_choices,
    wish_of_runs,
)
from toneapp.desktop.sheet_files import (
    keep_letterhead,
    keep_settings,
    preview_pages,
    save_charts,
    save_sheet,
)
from toneapp.desktop.sheet_options import SheetOptions
from toneapp.desktop.sheet_panel import SheetPanel
from toneapp.desktop.sheet_preview import PIXELS_WIDE, PreviewPane
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme
from toneapp.errors import InputError
from toneapp.library import Library
from toneapp.sheets import Letterhead, SheetSettings, load_settings

__all__ = ["SheetPage"]

_WAIT_MS = 150  # after the last choice before the pages are drawn
_PANEL_PX = 424


class SheetPage(Page):
    """What to choose at the left; the pages as they will be at the right."""

    name: ClassVar[str] = "sheet"
    title: ClassVar[str] = "Sheet"
    empty_text: ClassVar[str] = (
        "Sheets are made of what the library holds: comparisons for a buyer, proof of the work, "
        "worklists for the bench. It is empty so far. Add an instrument, import a recording, or "
        "look at the example workshop."
    )

    def __init__(
        self, model: AppModel, theme: Theme, actions: Actions, parent: QWidget | None = None
    ) -> None:
        super().__init__(model, theme, actions, parent)
        self._choices = Choices()
        self._settings: SheetSettings | None = None  # None until they are read
        self._fault = ""  # of the settings
        self._seen: tuple[int, int, int] | None = None
        self._drawing_wait = QTimer(self)
        self._drawing_wait.setSingleShot(True)
        self._drawing_wait.setInterval(_WAIT_MS)
        self._drawing_wait.timeout.connect(self._draw)
        self.panel = SheetPanel(theme, self.body)
        self.options = SheetOptions(self.body)
        self.pages = PreviewPane(theme, actions, self)
        self.preview = self.pages.preview
        self._add_actions()
        self._build()
        self._connect()

    def follow(self) -> tuple[str, ...]:
        """Refresh when the library changes or something else is looked at."""
        return ("library_changed", "compared_run_changed", "instrument_changed",
                "worklist_changed", "sheet_wanted")  # fmt: skip

    def empty_state(self) -> str:
        """Say the next step while there is no instrument."""
        instruments = self.model.read(lambda library: library.instruments.all(), ())
        return "" if instruments else self.empty_text

    def empty_actions(self) -> tuple[str, ...]:
        """Offer to begin."""
        return ("add_instrument", "import_file", "example_workshop")

    def refresh(self) -> None:
        """Read off the GUI thread what there is to choose from, and the settings."""
        self._fit_width()

        def read(library: Library) -> tuple[Choices, SheetSettings | None, str]:
            choices = read_choices(library)
            try:
                return choices, load_settings(library.folder), ""
            except InputError as exc:
                return choices, None, str(exc)

        self.model.ask(read, self._take_up, key=f"sheet choices {id(self)}")

    def focusInEvent(self, event: QFocusEvent) -> None:
        """Give the keyboard to the kinds of sheet."""
        super().focusInEvent(event)
        button = self.panel.kind_buttons[self.panel.wish.kind]
        button.setFocus(Qt.FocusReason.OtherFocusReason)

    @property
    def settings(self) -> SheetSettings | None:
        """Settings of the sheets, once they are read."""
        return self._settings

    def message(self) -> str:
        """Return what is said in place of the pages; empty while they are shown."""
        is_shown = self._right.currentWidget() is self.pages
        return "" if is_shown else self._instead.text()

    def save_pdf(self) -> None:
        """Ask for a name and write the PDF."""
        self._save("PDF (*.pdf)", ".pdf")

    def save_html(self) -> None:
        """Ask for a name and write the HTML."""
        self._save("HTML (*.html)", ".html")

    def save_charts_as(self, form: str) -> None:
        """Ask for a folder and write the charts into one of their own in it."""
        wish, settings = self.panel.wish, self._settings
        stem = file_stem(wish, self._choices)
        name = QFileDialog.getExistingDirectory(self, f"Where to make the folder “{stem}”")
        if not name or settings is None:
            return
        folder = Path(name) / stem

        def written(paths: tuple[Path, ...]) -> None:
            self.model.said.emit(f"{len(paths)} charts written to {folder}")

        self.model.work(
            "writing charts",
            lambda library, progress: save_charts(
                library, wish, settings, folder, form=form, progress=progress
            ),
            written,
        )

    def change_letterhead(self) -> None:
        """Open the fields of the letterhead."""
        if self._settings is not None:
            LetterheadDialog(self._settings.letterhead, self._keep_letterhead, self).open()

    # Building

    def _add_actions(self) -> None:
        for name, text, on, shortcut, help_text in (
            ("sheet_pdf", "Save PDF …", self.save_pdf, "Ctrl+S",
             "Write the sheet as PDF, to print or to mail."),
            ("sheet_html", "Save HTML …", self.save_html, "Ctrl+Shift+S",
             "Write the sheet as one page for the browser, with the sound in it."),
            ("sheet_charts_svg", "as SVG …", functools.partial(self.save_charts_as, "svg"), "",
             "Write each chart as a drawing that can be enlarged without loss."),
            ("sheet_charts_png", "as PNG …", functools.partial(self.save_charts_as, "png"), "",
             "Write each chart as a picture."),
        ):  # fmt: skip
            self.actions_of_window.add(
                name, text, on=on, shortcut=shortcut, help_text=help_text, page=self
            )

    def _build(self) -> None:
        self._fields = fields = QWidget(self.body)
        fields.setObjectName("form")
        column = QVBoxLayout(fields)
        column.setContentsMargins(0, 0, GAP_PX // 2, 0)
        column.setSpacing(GAP_PX)
        column.addWidget(self.panel, 1)
        column.addWidget(self.options)
        scroll = QScrollArea(self.body)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setWidgetResizable(True)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(fields)
        self._left = left = QWidget(self.body)
        whole_left = QVBoxLayout(left)
        whole_left.setContentsMargins(0, 0, GAP_PX // 2, 0)
        whole_left.setSpacing(GAP_PX)
        whole_left.addWidget(scroll, 1)
        self._save_buttons = self._save_row()
        whole_left.addLayout(self._save_buttons)
        self._instead = EmptyPane(self.theme, self.body)
        self._right = QStackedWidget(self.body)
        self._right.addWidget(self.pages)
        self._right.addWidget(self._instead)
        self.parts = QSplitter(Qt.Orientation.Horizontal, self.body)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(left)
        self.parts.addWidget(self._right)
        self.parts.setStretchFactor(1, 1)
        self.parts.setSizes([_PANEL_PX, 800])
        whole = QVBoxLayout(self.body)
        whole.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        whole.addWidget(self.parts)

    def _fit_width(self) -> None:
        """Leave the fields and buttons at the left the room that the size of text asks for."""
        widest = max(self._fields.minimumSizeHint().width(), self._save_buttons.sizeHint().width())
        self._left.setMinimumWidth(widest + GAP_PX)

    def _save_row(self) -> QHBoxLayout:
        """Buttons that write files; the PDF is the usual next step."""
        row = QHBoxLayout()
        row.setContentsMargins(0, 0, GAP_PX // 2, 0)
        row.setSpacing(GAP_PX // 2)
        action = self.actions_of_window["sheet_pdf"]
        self.pdf_button = QPushButton(action.text(), self.body)
        self.pdf_button.setToolTip(action.toolTip())
        self.pdf_button.setAccessibleDescription(action.whatsThis())
        self.pdf_button.setProperty("next", "true")
        self.pdf_button.setMinimumHeight(BIG_TARGET_PX)
        self.pdf_button.clicked.connect(action.trigger)
        self.html_button = self.actions_of_window.button("sheet_html", self.body)
        self.html_button.setMinimumHeight(BIG_TARGET_PX)
        self.charts_button = QToolButton(self.body)
        self.charts_button.setText("&Charts")
        self.charts_button.setToolTip("Write each chart as a file of its own")
        self.charts_button.setAccessibleName("Charts as files")
        self.charts_button.setMinimumHeight(BIG_TARGET_PX)
        self.charts_button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.charts_button.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QMenu(self.charts_button)
        for name in ("sheet_charts_svg", "sheet_charts_png"):
            menu.addAction(self.actions_of_window[name])
        self.charts_button.setMenu(menu)
        row.addWidget(self.pdf_button, 1)
        row.addWidget(self.html_button)
        row.addWidget(self.charts_button)
        return row

    def _connect(self) -> None:
        self.panel.wish_changed.connect(self._wish_changed)
        self.options.settings_changed.connect(self._keep_settings)
        self.options.letterhead_wanted.connect(self.change_letterhead)
        self.model.run_changed.connect(self._run_changed)

    # Choosing

    def _run_changed(self, _run: object) -> None:
        """Follow another run, but not one that tells of itself at every strike."""
        if self._seen is None or self.model.run_id != self._seen[0]:
            self.mark_stale()

    def _take_up(self, found: tuple[Choices, SheetSettings | None, str]) -> None:
        """Show what there is to choose; begin anew when the window looks at something else."""
        self._choices, self._settings, self._fault = found
        if self._settings is not None:
            self.options.show_settings(self._settings)
        self.options.setEnabled(self._settings is not None)
        seen = (self.model.run_id, self.model.compared_run_id, self.model.instrument_id)
        wish = self.panel.wish
        if seen != self._seen:
            self._seen = seen
            wish = first_wish(
                self._choices,
                run_id=seen[0],
                beside_id=seen[1],
                instrument_id=seen[2],
            )
        asked = self.model.take_runs_for_sheet()
        if asked:
            wish = wish_of_runs(wish, self._choices, asked)
        self.panel.show_choices(self._choices, wish)
        self._wish_changed()

    def _wish_changed(self) -> None:
        """Say what is missing, or draw the pages."""
        kind = self.panel.wish.kind
        text = self._fault or missing_text(self.panel.wish, self._choices)
        self.options.sound.setVisible(kind.has_sound)
        self.charts_button.setVisible(kind.has_sound)
        for name in ("sheet_pdf", "sheet_html", "sheet_charts_svg", "sheet_charts_png"):
            self.actions_of_window[name].setEnabled(not text)
        self.pdf_button.setEnabled(not text)
        self.charts_button.setEnabled(not text)
        if text:
            self._drawing_wait.stop()
            self._say_instead(text, self._next_steps())
            return
        self.preview.set_waiting(True)
        self._drawing_wait.start()

    def _next_steps(self) -> tuple[str, ...]:
        """Name what can be done about what is missing."""
        if self._fault:
            return ()
        if not self._choices.measured:
            return ("page_instrument", "page_record", "import_file")
        is_short = len(self._choices.measured) < 2
        needs_two = self.panel.wish.kind in (SheetKind.COMPARISON, SheetKind.CHANGE)
        return ("page_record", "import_file") if is_short and needs_two else ()

    def _say_instead(self, text: str, actions: tuple[str, ...] = ()) -> None:
        self._instead.show_text(text[:1].upper() + text[1:], self.actions_of_window, actions)
        self._right.setCurrentWidget(self._instead)

    # Drawing

    def _draw(self) -> None:
        """Draw the pages off the GUI thread."""
        wish, settings = self.panel.wish, self._settings
        if settings is None:
            return
        self.model.ask(
            lambda library: preview_pages(library, wish, settings, pixels_wide=PIXELS_WIDE),
            self._show_pages,
            on_failed=self._say_instead,
            key=f"sheet pages {id(self)}",
        )

    def _show_pages(self, pages: tuple[bytes, ...]) -> None:
        if missing_text(self.panel.wish, self._choices):
            return  # another choice was made meanwhile
        self.preview.show_pages(pages)
        self._right.setCurrentWidget(self.pages)

    # Keeping

    def _save(self, kinds: str, ending: str) -> None:
        wish, settings = self.panel.wish, self._settings
        if settings is None:
            return
        start = file_stem(wish, self._choices) + ending
        name, _ = QFileDialog.getSaveFileName(self, "Save the sheet", start, kinds)
        if not name:
            return
        if name.lower().endswith(ending):
            self._write(wish, settings, name)
            return
        path = name + ending  # the dialog has asked about the name without it
        if Path(path).exists():
            ask(
                self,
                f"{Path(path).name} is there already. Write over it?",
                "Write over it",
                lambda: self._write(wish, settings, path),
            )
        else:
            self._write(wish, settings, path)

    def _write(self, wish: Wish, settings: SheetSettings, path: str) -> None:
        has_sound = self.options.sound.isChecked()
        self.model.work(
            f"writing {Path(path).name}",
            lambda library, progress: save_sheet(
                library, wish, settings, path, has_sound=has_sound, progress=progress
            ),
            lambda written: self.model.said.emit(f"Written: {written}"),
        )

    def _keep_settings(self, settings: SheetSettings) -> None:
        self._settings = settings
        self.model.edit(lambda library: keep_settings(library.folder, settings))
        self._wish_changed()

    def _keep_letterhead(self, letterhead: Letterhead, logo_path: str) -> None:
        settings = self._settings
        if settings is None:
            return

        def kept(now: SheetSettings) -> None:
            self._settings = now
            self.options.show_settings(now)
            self._wish_changed()

        self.model.edit(
            lambda library: keep_letterhead(library.folder, settings, letterhead, logo_path), kept
        )
