"""Where on the map lies each lane and each key?

Lanes one above the other, the keyboard below them, and a line of signs explained at the foot.
All lengths in pixels of the widget.

Classes: `MapGeometry`.
"""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import QRectF
from PySide6.QtGui import QFont, QFontMetricsF

from toneapp.desktop.key_axis import KeyAxis
from toneapp.desktop.lane_order import LaneOrder
from toneapp.keyboard import Compass

__all__ = ["MapGeometry"]

_GAP = 6.0
_EDGE = 8.0
_KEYS_SHARE, _KEYS_LEAST, _KEYS_MOST = 0.08, 28.0, 64.0


class MapGeometry:
    """Places on a map of one size.

    Parameters
    ----------
    width, height : float
        Of the widget, in pixels.
    compass : Compass
        Keys that are shown.
    order : LaneOrder
        Lanes that are shown.
    font : QFont
        Of the scale; headings and names of keys follow from its height.
    legend_rows : int
        Lines of the explanation at the foot.
    """

    def __init__(
        self,
        width: float,
        height: float,
        *,
        compass: Compass,
        order: LaneOrder,
        font: QFont,
        legend_rows: int = 1,
    ) -> None:
        metrics = QFontMetricsF(font)
        self.line = metrics.height()
        self.heading = 1.35 * self.line
        left = metrics.horizontalAdvance("−0.0005") + 10.0
        self.axis = KeyAxis(compass, left=left, right=max(width - _EDGE, left + 60.0))
        self.xs = {midi: self.axis.x(midi) for midi in compass}
        keys_height = min(max(_KEYS_SHARE * height, _KEYS_LEAST), _KEYS_MOST)
        self.legend_top = height - legend_rows * 1.25 * self.line - 6.0
        keys_top = self.legend_top - 1.7 * self.line - keys_height
        self.keys = QRectF(left, keys_top, self.axis.right - left, keys_height)
        self.lanes = self._lanes(order, top=0.0, bottom=keys_top - _GAP)

    def lane_at(self, y: float) -> str:
        """Key of the lane at a height; empty beside all lanes."""
        return next(
            (key for key, area in self.lanes.items() if area.top() <= y <= area.bottom()), ""
        )

    def heading_at(self, y: float) -> str:
        """Key of the lane whose heading is at a height; empty elsewhere."""
        key = self.lane_at(y)
        return key if key and y <= self.lanes[key].top() + self.heading else ""

    def key_at(self, x: float) -> int:
        """Nearest key to a place; 0 beside the keyboard."""
        reach = self.axis.white_width
        if not self.axis.left - reach <= x <= self.axis.right + reach:
            return 0
        return min(self.xs, key=lambda midi: abs(self.xs[midi] - x))

    def plot_of(self, key: str) -> QRectF:
        """Part of a lane that holds its points."""
        return self.lanes[key].adjusted(0.0, self.heading, 0.0, -5.0)

    def _lanes(self, order: LaneOrder, *, top: float, bottom: float) -> Mapping[str, QRectF]:
        shares = order.shares()
        room = max(bottom - top - _GAP * (len(shares) - 1), 1.0)
        areas = {}
        for key, share in shares.items():
            height = share * room
            areas[key] = QRectF(self.axis.left, top, self.axis.right - self.axis.left, height)
            top += height + _GAP
        return areas
