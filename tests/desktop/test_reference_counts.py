"""Qt's binding must not lose references of None.

With one release of the binding (6.12.0 on Python 3.11) every call without a result takes one
reference from None, until the interpreter ends after some hundred redraws.
"""

from __future__ import annotations

import sys

from PySide6.QtWidgets import QWidget
from pytestqt.qtbot import QtBot

CALLS = 500


def test_calls_without_a_result_leave_none_as_it_is(qtbot: QtBot) -> None:
    widget = QWidget()
    qtbot.addWidget(widget)
    before = sys.getrefcount(None)
    for _ in range(CALLS):
        widget.update()
    lost = before - sys.getrefcount(None)
    assert lost < CALLS / 10  # a faulty binding loses one a call
