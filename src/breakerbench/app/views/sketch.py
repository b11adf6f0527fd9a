"""A small sheet to draw on: 100 wide, 60 high, y upwards, in the inks; letters keep their size."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, cos, pi, sin

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QPolygonF

from breakerbench.app.theme import SMALL_PT, Inks, letters
from breakerbench.app.views.marks import DASHES

WIDE, HIGH = 100.0, 60.0
Points = Sequence[tuple[float, float]]


class Sketch:
    """Takes places of the sheet, draws in the rectangle."""

    def __init__(self, painter: QPainter, place: QRectF, inks: Inks) -> None:
        self._painter, self._inks = painter, inks
        self._scale = min(place.width() / WIDE, place.height() / HIGH)
        self._left = place.center().x() - 0.5 * WIDE * self._scale
        self._bottom = place.center().y() + 0.5 * HIGH * self._scale
        self._place = place
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)

    def at(self, x: float, y: float) -> QPointF:
        return QPointF(self._left + x * self._scale, self._bottom - y * self._scale)

    def line(
        self, points: Points, role: str = "ink", width: float = 2.0, dashed: bool = False
    ) -> None:
        self._painter.setPen(self._pen(role, width, dashed))
        self._painter.setBrush(Qt.BrushStyle.NoBrush)
        self._painter.drawPolyline(self._polygon(points))

    def area(self, points: Points, role: str = "band", edge: str = "") -> None:
        self._painter.setPen(self._pen(edge, 1.4) if edge else QPen(Qt.PenStyle.NoPen))
        self._painter.setBrush(QColor(getattr(self._inks, role)))
        self._painter.drawPolygon(self._polygon(points))

    def dot(self, x: float, y: float, role: str = "ink", size: float = 3.5) -> None:
        self._painter.setPen(Qt.PenStyle.NoPen)
        self._painter.setBrush(QColor(getattr(self._inks, role)))
        self._painter.drawEllipse(self.at(x, y), size, size)

    def arrow(
        self, start: tuple[float, float], end: tuple[float, float], role: str = "accent"
    ) -> None:
        """With a head at its end."""
        self.line([start, end], role, 1.6)
        away = atan2(start[1] - end[1], start[0] - end[0])
        tip = self.at(*end)
        corners = [tip]
        for turn in (-0.45, 0.45):
            corners.append(tip + QPointF(8.0 * cos(away + turn), -8.0 * sin(away + turn)))
        self._painter.setPen(Qt.PenStyle.NoPen)
        self._painter.setBrush(QColor(getattr(self._inks, role)))
        self._painter.drawPolygon(QPolygonF(corners))

    def between(
        self, start: tuple[float, float], end: tuple[float, float], role: str = "accent"
    ) -> None:
        """A span: an arrow either way."""
        middle = (0.5 * (start[0] + end[0]), 0.5 * (start[1] + end[1]))
        self.arrow(middle, start, role)
        self.arrow(middle, end, role)

    def word(self, x: float, y: float, text: str, role: str = "ink", side: float = 0.5) -> None:
        """side 0: begins there, 0.5: stands about it, 1: ends there; kept inside the sheet."""
        font = letters(SMALL_PT, bold=role == "accent")
        metrics = QFontMetricsF(font)
        wide, tall = metrics.horizontalAdvance(text), metrics.height()
        place = self.at(x, y)
        left = min(place.x() - side * wide, self._place.right() - wide)
        box = QRectF(max(left, self._place.left()), place.y() - 0.5 * tall, wide + 1.0, tall)
        self._painter.setFont(font)
        self._painter.setPen(QColor(getattr(self._inks, role)))
        self._painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)

    def axes(self, across: str, up: str) -> None:
        """Two scales without figures: what grows to the right, and what upwards."""
        self.line([(8, 56), (8, 8), (97, 8)], "muted", 1.4)
        self.word(97, 3.5, across, "muted", 1.0)
        self.word(9.5, 56, up, "muted", 0.0)

    def _pen(self, role: str, width: float, dashed: bool = False) -> QPen:
        pen = QPen(QColor(getattr(self._inks, role)), width)
        pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
        if dashed:
            pen.setDashPattern(DASHES)
        return pen

    def _polygon(self, points: Points) -> QPolygonF:
        return QPolygonF([self.at(*point) for point in points])


def around(x: float, y: float, radius: float, degrees: float) -> tuple[float, float]:
    """A place on a circle; degrees from the right, against the clock."""
    return x + radius * cos(degrees * pi / 180.0), y + radius * sin(degrees * pi / 180.0)


def arc(x: float, y: float, radius: float, start: float, end: float) -> list[tuple[float, float]]:
    """Places along a circle."""
    steps = max(int(abs(end - start) / 3.0), 1)
    return [around(x, y, radius, start + (end - start) * k / steps) for k in range(steps + 1)]
