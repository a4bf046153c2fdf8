"""A run was left unfinished: how far did it come, and what is to become of it?

Nothing is thrown away: what is not gone on with comes into the library, or into its bin, where it
can be brought back from.

Classes: `OfferPanel`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from toneapp.audio.capture import RunKind, UnfinishedRun, ask_text
from toneapp.desktop.record_choice import left_text
from toneapp.desktop.theme import BIG_TARGET_PX, GAP_PX, Theme
from toneapp.library import Leftover
from toneapp.wording import quantity_text

__all__ = ["OfferPanel"]

_KIND_WORDS = {
    RunKind.EVENNESS: "held notes",
    RunKind.RING_ON: "short blows",
    RunKind.REPETITION: "repetition",
}


_BIN_TIP = "It can be brought back from the bin until that is emptied."


class OfferPanel(QWidget):
    """Runs that were left behind, the newest first.

    Attributes
    ----------
    go_on_wanted, close_wanted, bin_wanted : Signal(object)
        What is to become of an `UnfinishedRun`.
    adopt_wanted, bin_left_wanted : Signal(object)
        What is to become of a `Leftover`.
    """

    go_on_wanted = Signal(object)
    close_wanted = Signal(object)
    bin_wanted = Signal(object)
    adopt_wanted = Signal(object)
    bin_left_wanted = Signal(object)
    later_wanted = Signal()

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self._runs: tuple[UnfinishedRun, ...] = ()
        self._left_over: tuple[Leftover, ...] = ()
        self._titles: list[QLabel] = []
        self.heading = QLabel("A run was left unfinished", self)
        self.heading.setWordWrap(True)
        self._cards = QVBoxLayout()
        self._cards.setSpacing(GAP_PX)
        self._later = QPushButton("Not now: record another", self)
        self._later.setToolTip("It stays as it is, and is offered again at the next start.")
        self._later.clicked.connect(self.later_wanted)
        column = QVBoxLayout(self)
        column.setContentsMargins(2 * GAP_PX, 2 * GAP_PX, 2 * GAP_PX, 2 * GAP_PX)
        column.setSpacing(GAP_PX)
        column.addWidget(self.heading)
        column.addLayout(self._cards)
        column.addWidget(self._later, 0, Qt.AlignmentFlag.AlignLeft)
        column.addStretch(1)

    @property
    def runs(self) -> tuple[UnfinishedRun, ...]:
        """Runs that are offered."""
        return self._runs

    @property
    def is_empty(self) -> bool:
        """Whether nothing is offered."""
        return not self._runs and not self._left_over

    def buttons(self, place: int = 0) -> tuple[QPushButton, ...]:
        """Buttons of the run at a place: go on, close, bin."""
        item = self._cards.itemAt(place)
        card = None if item is None else item.widget()
        assert card is not None
        return tuple(card.findChildren(QPushButton))

    def set_runs(
        self,
        runs: Sequence[UnfinishedRun],
        names: dict[int, str],
        *,
        left_over: Sequence[Leftover] = (),
        instrument: str = "",
    ) -> None:
        """Offer other runs.

        Parameters
        ----------
        runs : sequence of UnfinishedRun
            The oldest first.
        names : dict
            Names of the instruments, by their numbers.
        left_over : sequence of Leftover
            Sounds of the library that belong to no run.
        instrument : str
            Name of the chosen instrument, which such a sound would go to.
        """
        self._runs = tuple(reversed(runs))
        self._left_over = tuple(left_over)
        self._titles.clear()
        count = len(self._runs)
        if not count:
            self.heading.setText("Sound was left over")
        else:
            self.heading.setText(
                "A run was left unfinished" if count == 1 else f"{count} runs were left unfinished"
            )
        while (item := self._cards.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.setParent(None)
                widget.deleteLater()
        for place, run in enumerate(self._runs):
            self._cards.addWidget(self._card(run, names, is_first=place == 0))
        for left in self._left_over:
            self._cards.addWidget(self._left_over_card(left, instrument))
        self.fit()

    def fit(self) -> None:
        """Take up the size of letters."""
        self.heading.setFont(self._theme.font(scale=1.6, is_bold=True))
        for title in self._titles:
            title.setFont(self._theme.font(scale=1.2, is_bold=True))

    def _card(self, run: UnfinishedRun, names: dict[int, str], *, is_first: bool) -> QFrame:
        out = run.facts.get("out")
        title = ", ".join(
            word
            for word in (
                names.get(int(run.facts.get("instrument") or 0), ""),
                str(run.facts.get("condition") or ""),
                _KIND_WORDS[run.plan.kind],
                out and f"into {out}",
            )
            if word
        )
        following = run.key_plan().current
        text = left_text(run) + "."
        if following is not None:
            text += f" The next key is {ask_text(following)}."
        card, row = self._empty_card(title, text)
        go_on = self._button(
            card, row, "Go on at the next key", "Record the keys that are missing.",
            lambda: self.go_on_wanted.emit(run), is_next=is_first and following is not None,
        )  # fmt: skip
        go_on.setEnabled(following is not None)
        self._button(
            card, row, "Close it as it is",
            "Take what is there into the library and measure it.",
            lambda: self.close_wanted.emit(run),
        )  # fmt: skip
        lay = self._button(
            card, row, "Lay it in the bin", _BIN_TIP, lambda: self.bin_wanted.emit(run)
        )
        if out:
            lay.setEnabled(False)
            lay.setToolTip("It goes into a file of its own; close it, then remove that.")
        row.addStretch(1)
        return card

    def _left_over_card(self, left: Leftover, instrument: str) -> QFrame:
        megabytes = quantity_text(left.bytes / 1e6, "MB", decimals=1)
        card, row = self._empty_card(
            "A sound that belongs to no run",
            f"It is {megabytes} large; the program ended before it was taken in.",
        )
        take = self._button(
            card, row, f"Take it in for {instrument}" if instrument else "Take it in",
            "It becomes a run of the chosen instrument and is measured.",
            lambda: self.adopt_wanted.emit(left),
        )  # fmt: skip
        lay = self._button(
            card, row, "Lay it in the bin", _BIN_TIP, lambda: self.bin_left_wanted.emit(left)
        )
        for button in (take, lay):
            button.setEnabled(bool(instrument))
            if not instrument:
                button.setToolTip("Add an instrument first.")
        row.addStretch(1)
        return card

    def _empty_card(self, title: str, text: str) -> tuple[QFrame, QHBoxLayout]:
        """Make a card with a heading, a sentence, and a row for buttons."""
        card = QFrame(self)
        card.setProperty("card", True)
        heading = QLabel(title[:1].upper() + title[1:], card)
        self._titles.append(heading)
        words = QLabel(text, card)
        row = QHBoxLayout()
        row.setSpacing(GAP_PX // 2)
        column = QVBoxLayout(card)
        column.setContentsMargins(2 * GAP_PX, GAP_PX, 2 * GAP_PX, GAP_PX)
        column.setSpacing(GAP_PX)
        for label in (heading, words):
            label.setWordWrap(True)
            label.setTextFormat(Qt.TextFormat.PlainText)
            column.addWidget(label)
        column.addLayout(row)
        return card, row

    @staticmethod
    def _button(
        card: QFrame,
        row: QHBoxLayout,
        text: str,
        tip: str,
        on: Callable[[], object],
        *,
        is_next: bool = False,
    ) -> QPushButton:
        button = QPushButton(text, card)
        button.setToolTip(tip)
        button.setAccessibleDescription(tip)
        button.setMinimumHeight(BIG_TARGET_PX + 6)
        button.setAutoDefault(True)  # the Enter key presses it
        button.setProperty("next", "true" if is_next else "false")
        button.clicked.connect(lambda _checked=False: on())
        row.addWidget(button)
        return button
