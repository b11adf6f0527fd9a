"""One field of a picture: two axes with their units, the marks in it, zoom, and the cursor line."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QFontMetricsF

from breakerbench.app.theme import SMALL_PT, Inks, letters
from breakerbench.app.views.marks import Limits, Mark, Rule, pen

AMark = TypeVar("AMark", bound=Mark)

#: The whole is shown anew where it no longer fits, or fills less than this share of an axis.
FILLS = 0.5
#: How far one can zoom in and out, as shares of the whole.
LEAST, MOST = 1e-3, 4.0


class Panel:
    """A field with axes. ``whole`` says what there is to see; it is shown until somebody zooms."""

    def __init__(self, plot: Any) -> None:
        self.plot = plot
        self.zoomed = False
        self._marks: list[Mark] = []
        self._whole: tuple[float, float, float, float] | None = None
        self.cursor = Rule(plot, "accent", 1.4, upright=True, z=20.0)
        self._marks.append(self.cursor)
        view = plot.getViewBox()
        plot.setMenuEnabled(False)
        plot.hideButtons()
        view.disableAutoRange()
        view.setDefaultPadding(0.0)
        view.sigRangeChangedManually.connect(self._by_hand)
        wide = QFontMetricsF(letters(SMALL_PT))
        for side in ("left", "bottom"):
            axis = plot.getAxis(side)
            axis.setTickFont(letters(SMALL_PT))
            axis.enableAutoSIPrefix(False)
            axis.label.setFont(letters(SMALL_PT))
            axis.setStyle(tickLength=-4, maxTickLevel=1, hideOverlappingLabels=True)
        plot.getAxis("left").setWidth(wide.height() * 1.5 + wide.horizontalAdvance("-00.00") + 8.0)
        plot.getAxis("bottom").setHeight(wide.height() * 2.5)
        plot.showGrid(x=False, y=False)
        self._ticks: tuple[Any, ...] = ()
        self._labels = ("", "")

    def add(self, mark: AMark) -> AMark:
        self._marks.append(mark)
        return mark

    def limits(self) -> Limits:
        made = Limits(self.plot)
        self._marks += made.marks
        return made

    def ink(self, inks: Inks) -> None:
        for mark in self._marks:
            mark.ink(inks)
        for side in ("left", "bottom"):
            axis = self.plot.getAxis(side)
            axis.setPen(pen(inks, "line", 1.0))
            axis.setTextPen(QColor(inks.muted))
            axis.label.setDefaultTextColor(QColor(inks.ink))

    def finely(self, wanted: bool) -> None:
        for mark in self._marks:
            mark.finely(wanted)

    def clear(self) -> None:
        for mark in self._marks:
            mark.hide()

    def label(self, across: str, up: str) -> None:
        """What the axes show, with its unit."""
        if (across, up) != self._labels:
            self._labels = (across, up)
            self.plot.getAxis("bottom").setLabel(across)
            self.plot.getAxis("left").setLabel(up)

    def number_lobes(self, lobes: int) -> None:
        """Whole numbers under the marks."""
        ticks = tuple((float(lobe + 1), str(lobe + 1)) for lobe in range(lobes))
        if ticks != self._ticks:
            self._ticks = ticks
            self.plot.getAxis("bottom").setTicks([list(ticks)])

    # --- what is seen ---

    def whole(self, left: float, right: float, low: float, high: float, steady: str = "") -> None:
        """All there is to see; the axes in ``steady``, x and y, are held still while it fits well."""
        if not np.isfinite([left, right, low, high]).all():
            return
        old, new = self._whole, (left, max(right, left + 1e-9), low, max(high, low + 1e-9))
        if old is not None:
            across = _steady(old[:2], new[:2]) if "x" in steady else new[:2]
            new = (*across, *(_steady(old[2:], new[2:]) if "y" in steady else new[2:]))
        if new == old:
            return
        self._whole = new
        wide, tall = new[1] - new[0], new[3] - new[2]
        self.plot.getViewBox().setLimits(
            minXRange=LEAST * wide, maxXRange=MOST * wide, xMin=new[0] - MOST * wide,
            xMax=new[1] + MOST * wide, minYRange=LEAST * tall, maxYRange=MOST * tall,
            yMin=new[2] - MOST * tall, yMax=new[3] + MOST * tall,
        )  # fmt: skip
        if not self.zoomed:
            self.show_all()

    def show_all(self) -> None:
        self.zoomed = False
        left, right, low, high = self._whole or (0.0, 1.0, 0.0, 1.0)
        self.plot.getViewBox().setRange(xRange=(left, right), yRange=(low, high), padding=0.0)

    def zoom(self, factor: float) -> None:
        """More than 1 is nearer; about the cursor where there is one, else the middle."""
        self.zoomed = True
        left, right, low, high = self.seen
        x = self.at if self.at is not None else 0.5 * (left + right)
        self.plot.getViewBox().scaleBy((1.0 / factor, 1.0 / factor), (x, 0.5 * (low + high)))

    def move(self, across: float, up: float) -> None:
        """By shares of what is seen."""
        self.zoomed = True
        left, right, low, high = self.seen
        self.plot.getViewBox().translateBy(x=across * (right - left), y=up * (high - low))

    @property
    def seen(self) -> tuple[float, float, float, float]:
        """Left, right, low, high."""
        (left, right), (low, high) = self.plot.getViewBox().viewRange()
        return left, right, low, high

    def _by_hand(self, *_: object) -> None:
        self.zoomed = True

    # --- cursor ---

    @property
    def at(self) -> float | None:
        """Where the cursor line stands."""
        return float(self.cursor.item.value()) if self.cursor.item.isVisible() else None

    def point(self, scene: Any) -> float | None:
        """The figure across at a place of the scene, None outside the field."""
        view = self.plot.getViewBox()
        if self.plot.scene() is None or not view.sceneBoundingRect().contains(scene):
            return None
        return float(view.mapSceneToView(scene).x())


def panels(view: Any, many: int) -> list[Panel]:
    """So many fields side by side."""
    made = []
    for column in range(many):
        made.append(Panel(view.addPlot(row=0, col=column)))
    return made


def canvas() -> Any:
    """What panels stand on; it takes no keys, those are the picture's."""
    made = pg.GraphicsLayoutWidget()
    made.ci.setContentsMargins(0, 0, 4, 0)
    made.ci.setSpacing(6)
    return made


def show(view: Any, panel: Panel, column: int, there: bool) -> None:
    """Puts a field into its column, or takes it out so that the others have its room."""
    if (panel.plot in view.ci.items) == there:
        return
    if there:
        view.addItem(panel.plot, row=0, col=column)
    else:
        view.removeItem(panel.plot)


def fields(view: Any) -> list[QRectF]:
    """Where the marks of each panel stand that is seen."""
    return [plot.getViewBox().sceneBoundingRect() for plot in view.ci.items]


def _steady(old: tuple[float, ...], new: tuple[float, ...]) -> tuple[float, float]:
    fits = old[0] <= new[0] and new[1] <= old[1]
    if fits and new[1] - new[0] >= FILLS * (old[1] - old[0]):
        return old[0], old[1]
    room = 0.1 * (new[1] - new[0])
    return new[0] - room, new[1] + room
