"""What stands in a panel: lines, dots, bars, areas, rules and words, each in the ink of what it means.

A mark is made once and given new figures from then on; without a finite figure it is not shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyqtgraph as pg
from numpy.typing import NDArray
from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor, QPen

from breakerbench.app.theme import SMALL_PT, Inks, letters

Floats = NDArray[np.float64]
Numbers = Sequence[float] | Floats

#: How long dashes and gaps are, in widths of the line.
DASHES = [4.0, 3.0]
#: An area without a limit on one side goes so far beyond.
FAR = 1e4


def pen(inks: Inks, role: str, width: float, dashed: bool = False) -> QPen:
    """A line of the same width however far one has zoomed; of one pixel where that draws faster."""
    made = QPen(QColor(getattr(inks, role)), width)
    made.setCosmetic(True)
    if dashed:
        made.setDashPattern(DASHES)
    made.setCapStyle(Qt.PenCapStyle.FlatCap)
    made.setJoinStyle(Qt.PenJoinStyle.BevelJoin)
    return made


class Mark:
    """One kind of mark in a panel; ``role`` is the ink it is drawn with."""

    def __init__(self, plot: Any, item: Any, role: str, z: float) -> None:
        self.item, self.role = item, role
        item.setZValue(z)
        item.setVisible(False)
        plot.addItem(item, ignoreBounds=True)

    def ink(self, inks: Inks) -> None:
        raise NotImplementedError

    def hide(self) -> None:
        self.item.setVisible(False)

    def finely(self, wanted: bool) -> None:
        """For a file of more pixels than the screen has."""

    def _show(self, there: bool) -> None:
        if self.item.isVisible() != there:
            self.item.setVisible(there)


class Line(Mark):
    """A line through points; nan breaks it."""

    def __init__(
        self, plot: Any, role: str, width: float = 2.0, dashed: bool = False, z: float = 5.0
    ) -> None:
        item = pg.PlotCurveItem(connect="finite", antialias=True)
        super().__init__(plot, item, role, z)
        self._width, self._dashed = width, dashed

    def ink(self, inks: Inks) -> None:
        self.item.setPen(pen(inks, self.role, self._width, self._dashed))

    def set(self, x: Numbers, y: Numbers) -> None:
        there = bool(np.isfinite(y).any())
        if there:
            self.item.setData(np.asarray(x, float), np.asarray(y, float))
        self._show(there)


class Area(Mark):
    """Between a low and a high side."""

    def __init__(self, plot: Any, role: str, z: float = 1.0, outline: str = "") -> None:
        item = pg.PlotCurveItem(fillLevel="enclosed", pen=None, antialias=True)
        super().__init__(plot, item, role, z)
        self._outline = outline

    def ink(self, inks: Inks) -> None:
        self.item.setBrush(QColor(getattr(inks, self.role)))
        if self._outline:
            self.item.setPen(pen(inks, self._outline, 1.4))

    def set(self, x: Numbers, low: Numbers, high: Numbers) -> None:
        sides = np.asarray(x, float), np.asarray(low, float), np.asarray(high, float)
        known = np.isfinite(sides[0]) & np.isfinite(sides[1]) & np.isfinite(sides[2])
        at, below, above = (side[known] for side in sides)
        if len(at):
            ends = np.concatenate([above, below[::-1], above[:1]])
            self.item.setData(np.concatenate([at, at[::-1], at[:1]]), ends)
        self._show(len(at) > 0)


class Dots(Mark):
    """Points apart, by the library's symbols: o, t (down), t1 (up), d, s, x."""

    def __init__(
        self, plot: Any, role: str, symbol: str, size: float, hollow: bool = False, z: float = 7.0
    ) -> None:
        item = pg.ScatterPlotItem(symbol=symbol, size=size, pxMode=True, antialias=True)
        super().__init__(plot, item, role, z)
        self._hollow = hollow

    def ink(self, inks: Inks) -> None:
        self.item.setPen(pen(inks, self.role, 1.8 if self._hollow else 1.0))
        self.item.setBrush(QColor(inks.card if self._hollow else getattr(inks, self.role)))

    def set(self, x: Numbers, y: Numbers) -> None:
        at, value = np.asarray(x, float), np.asarray(y, float)
        known = np.isfinite(at) & np.isfinite(value)
        if known.any():
            self.item.setData(at[known], value[known])
        self._show(bool(known.any()))

    def finely(self, wanted: bool) -> None:
        # What is kept are small pictures of the marks, as fine as the screen.
        self.item.opts["useCache"] = not wanted


class Bars(Mark):
    """Upright bars from low to high; ``cap``: their ends reach so far to either side."""

    def __init__(
        self, plot: Any, role: str, width: float, cap: float = 0.0, z: float = 4.0
    ) -> None:
        item = pg.PlotCurveItem(connect="pairs", antialias=True)
        super().__init__(plot, item, role, z)
        self._width, self.cap = width, cap

    def ink(self, inks: Inks) -> None:
        self.item.setPen(pen(inks, self.role, self._width))

    def set(self, x: Numbers, low: Numbers, high: Numbers) -> None:
        sides = np.asarray(x, float), np.asarray(low, float), np.asarray(high, float)
        known = np.isfinite(sides[0]) & np.isfinite(sides[1]) & np.isfinite(sides[2])
        at, below, above = (side[known] for side in sides)
        if len(at):
            across = [np.column_stack([at, at])]
            upright = [np.column_stack([below, above])]
            if self.cap:
                across += [np.column_stack([at - self.cap, at + self.cap])] * 2
                upright += [np.column_stack([end, end]) for end in (below, above)]
            self.item.setData(np.concatenate(across).ravel(), np.concatenate(upright).ravel())
        self._show(len(at) > 0)


class Rule(Mark):
    """A straight line at one figure, from side to side or ``upright``."""

    def __init__(
        self,
        plot: Any,
        role: str,
        width: float = 1.4,
        dashed: bool = False,
        upright: bool = False,
        z: float = 2.0,
    ) -> None:
        item = pg.InfiniteLine(angle=90 if upright else 0, movable=False)
        super().__init__(plot, item, role, z)
        self._width, self._dashed = width, dashed

    def ink(self, inks: Inks) -> None:
        self.item.setPen(pen(inks, self.role, self._width, self._dashed))

    def set(self, value: float | None) -> None:
        there = value is not None and bool(np.isfinite(value))
        if there and self.item.value() != value:
            self.item.setValue(value)
        self._show(there)


class Word(Mark):
    """A few words beside a point."""

    def __init__(self, plot: Any, role: str, z: float = 9.0, points: float = SMALL_PT) -> None:
        item = pg.TextItem("", anchor=(0.5, 1.6))
        item.setFont(letters(points, bold=True))
        super().__init__(plot, item, role, z)

    def ink(self, inks: Inks) -> None:
        self.item.setColor(QColor(getattr(inks, self.role)))
        self.item.fill = QBrush(QColor(inks.card))
        self.item.update()

    def set(self, text: str, x: float, y: float, anchor: tuple[float, float] = (0.5, 1.6)) -> None:
        if text != self.item.toPlainText():
            self.item.setPlainText(text)
        if tuple(self.item.anchor) != anchor:
            self.item.setAnchor(anchor)
        self.item.setPos(x, y)
        self._show(True)


class Limits:
    """What is allowed: a shaded band with its edges, and the aim within."""

    def __init__(self, plot: Any) -> None:
        self._area, self._aim = Area(plot, "band", z=0.5), Rule(plot, "ink", 1.6, dashed=True)
        self._edges = Rule(plot, "muted"), Rule(plot, "muted")
        self.marks: tuple[Mark, ...] = (self._area, self._aim, *self._edges)

    def set(self, low: float | None, high: float | None, aim: float | None = None) -> None:
        self._edges[0].set(low)
        self._edges[1].set(high)
        self._aim.set(aim)
        if low is None and high is None:
            self._area.hide()
            return
        below, above = (-FAR if low is None else low), (FAR if high is None else high)
        self._area.set([-FAR, FAR], [below, below], [above, above])
