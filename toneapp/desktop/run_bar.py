"""Which run is looked at, and which one lies beside it? Chosen above every page of a run.

Classes: `RunBar`.
"""

from __future__ import annotations

from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSizePolicy, QWidget

from toneapp.desktop.elided_label import ElidedLabel
from toneapp.desktop.models import AppModel
from toneapp.desktop.theme import GAP_PX, Theme
from toneapp.library import Run

__all__ = ["RunBar", "run_title"]

NO_RUN = "no run"
NAME_PX = 130
LEAST_LETTERS = 22
LARGEST_PX = 430  # longer than the longest title that is usual


def run_title(run: Run) -> str:
    """Name a run in a list: day, condition, purpose.

    Examples
    --------
    >>> run_title(Run(instrument_id=1, condition="before", recorded_at="2024-05-01T10:00:00Z"))
    '2024-05-01  before  (evenness)'
    """
    words = (run.recorded_at[:10], run.condition, f"({run.purpose.value})")
    return "  ".join(word for word in words if word)


class RunBar(QWidget):
    """Name of the instrument, its runs, and the run to compare with."""

    def __init__(self, model: AppModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._theme = theme
        self._name = ElidedLabel("", self)
        self._name.setMinimumWidth(NAME_PX)
        self.run_choice = QComboBox(self)
        self.run_choice.setAccessibleName("Run")
        self.run_choice.setToolTip("The run that is shown")
        self.compared_choice = QComboBox(self)
        self.compared_choice.setAccessibleName("Compared with")
        self.compared_choice.setToolTip("Another run of this instrument, drawn over it")
        for choice in (self.run_choice, self.compared_choice):
            choice.setSizeAdjustPolicy(
                QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
            )
            choice.setMinimumContentsLength(LEAST_LETTERS)
            choice.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            choice.setMaximumWidth(LARGEST_PX)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(GAP_PX, GAP_PX // 2, GAP_PX, GAP_PX // 2)
        layout.setSpacing(GAP_PX)
        layout.addWidget(self._name, 1)
        for text, choice in (("&Run", self.run_choice), ("&Beside it", self.compared_choice)):
            label = QLabel(text, self)
            label.setBuddy(choice)
            layout.addWidget(label)
            layout.addWidget(choice, 5)
        self.run_choice.activated.connect(self._choose_run)
        self.compared_choice.activated.connect(self._choose_compared)
        model.library_changed.connect(self.fill)
        model.instrument_changed.connect(self.fill)
        model.run_changed.connect(self.fill)
        model.compared_run_changed.connect(self.fill)
        theme.changed.connect(self.fill)
        self.fill()

    def fill(self, *_ignored: object) -> None:
        """Show the runs of the chosen instrument."""
        instrument = self._model.instrument
        self._name.setFont(self._theme.font(scale=1.15, is_bold=True))
        self._name.set_text("" if instrument is None else instrument.name)
        runs: tuple[Run, ...] = ()
        if instrument is not None:
            number = instrument.id
            runs = self._model.read(lambda library: library.runs.all(number), ())
        run_id = self._model.run_id
        self._offer(self.run_choice, [(run_title(run), run.id) for run in reversed(runs)], run_id)
        others = [(run_title(run), run.id) for run in reversed(runs) if run.id != run_id]
        self._offer(self.compared_choice, [("nothing", 0), *others], self._model.compared_run_id)
        self.run_choice.setEnabled(bool(runs))
        self.compared_choice.setEnabled(bool(others))

    def _offer(self, choice: QComboBox, items: list[tuple[str, int]], chosen: int) -> None:
        choice.blockSignals(True)
        choice.clear()
        for text, number in items or [(NO_RUN, 0)]:
            choice.addItem(text, number)
        choice.setCurrentIndex(max(choice.findData(chosen), 0))
        choice.blockSignals(False)

    def _choose_run(self, index: int) -> None:
        self._model.choose_run(int(self.run_choice.itemData(index)))

    def _choose_compared(self, index: int) -> None:
        self._model.compare_with(int(self.compared_choice.itemData(index)) or None)
