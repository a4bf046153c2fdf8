"""Where is the result of a repetition run shown?

Classes: `RepetitionPanel`.
"""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from toneapp.desktop.repetition_view import RepetitionView
from toneapp.desktop.row_table import Column, RowTable
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme

__all__ = ["RepetitionPanel"]

_COLUMNS = (
    Column(title="key", text=lambda row: row.note, width=7),
    Column(
        title="blows a second", text=lambda row: row.rate, width=19, is_number=True,
        tip="Blows that spoke, over the time from the first to the last",
    ),
    Column(
        title="spacing", text=lambda row: row.spacing, width=18, is_number=True,
        tip="Scatter of the spacing of the blows, in % of its mean; less is more even",
    ),
    Column(
        title="loudness", text=lambda row: row.level, width=25, is_number=True,
        tip="Scatter of the level of the blows; less is more even",
    ),
    Column(
        title="missed", text=lambda row: row.missed, width=10, is_number=True,
        tip="Blows that did not speak",
    ),
    Column(title="remark", text=lambda row: row.remark, stretches=True),
)  # fmt: skip

_CAUTION = (
    "What slows a key is often simple: friction at bushings or pins, a spring, dirt, or the "
    "regulation. Look at these with a qualified technician before parts are changed. Dust may "
    "hold harmful fibres: do not blow it out."
)


class RepetitionPanel(QWidget):
    """Sluggish keys in sentences, all keys in a table.

    Attributes
    ----------
    done : Signal
        The person has seen it.
    """

    done = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self.heading = QLabel(self)
        self.heading.setWordWrap(True)
        self.sentences = QLabel(self)
        self.sentences.setWordWrap(True)
        self.sentences.setTextFormat(Qt.TextFormat.PlainText)
        self.table = RowTable(
            _COLUMNS, theme, key=lambda row: (row.midi, row.rate), name="Keys struck fast",
            parent=self,
        )  # fmt: skip
        caution = QLabel(f"\N{WARNING SIGN} {_CAUTION}", self)
        caution.setWordWrap(True)
        caution.setProperty("muted", True)
        self.done_button = QPushButton("Record another run", self)
        self.done_button.setProperty("next", "true")
        self.done_button.setMinimumSize(260, BIG_TARGET_PX + 6)
        self.done_button.clicked.connect(self.done)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(GAP_PX)
        column.addWidget(self.heading)
        column.addWidget(self.sentences)
        column.addWidget(self.table, 1)
        column.addWidget(caution)
        column.addWidget(self.done_button, 0, Qt.AlignmentFlag.AlignRight)

    def show_result(self, view: RepetitionView) -> None:
        """Show a run."""
        self.heading.setText(view.heading)
        lines = (*view.sluggish, *view.problems)
        self.sentences.setText("\n".join(lines) or "All keys fit the instrument's own trend.")
        self.table.set_rows(view.rows)
        self.fit()

    def fit(self) -> None:
        """Take up the size of letters."""
        self.heading.setFont(self._theme.font(scale=1.5, is_bold=True))
        self.sentences.setFont(self._theme.font(scale=1.1))
