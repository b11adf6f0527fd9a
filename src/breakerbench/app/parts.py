"""Parts of the window that several steps use: great figures, a strip with limits, lists, buttons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QFrame, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from breakerbench.app.theme import FIGURE_PT, LIGHT, SMALL_PT, TEXT_PT, TOUCH_PX, Inks, letters


def words(text: str = "", points: float = TEXT_PT, bold: bool = False) -> QLabel:
    """Words that go on in the next line where they are long."""
    label = QLabel(text)
    label.setFont(letters(points, bold))
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.NoTextInteraction)
    return label


def say(label: QLabel, text: str) -> None:
    """Sets the words if they are others: a label that is set anew is laid out anew."""
    if label.text() != text:
        label.setText(text)
        label.setAccessibleName(text)


def button(text: str, does: Callable[[], object], hint: str = "") -> QPushButton:
    """A button large enough for a thumb; ``hint`` says its key."""
    made = QPushButton(text)
    made.setFont(letters(TEXT_PT))
    made.setMinimumHeight(TOUCH_PX)
    made.setAccessibleName(text.replace("&", ""))
    if hint:
        made.setToolTip(hint)
        made.setAccessibleDescription(hint)
    made.clicked.connect(lambda: does())
    return made


class Card(QFrame):
    """A plain sheet that holds other parts; styled by its object name."""

    def __init__(self, *parts: QWidget, stretch: Sequence[int] = ()) -> None:
        super().__init__()
        self.setObjectName("card")
        self.box = QVBoxLayout(self)
        self.box.setContentsMargins(18, 14, 18, 14)
        self.box.setSpacing(10)
        for k, part in enumerate(parts):
            self.box.addWidget(part, stretch[k] if k < len(stretch) else 0)


class Figure(QWidget):
    """One figure as large as there is room, its unit beside it and a line below.

    Readable from two metres: letters of 150 points are 4 to 5 cm high.
    """

    def __init__(self, most_pt: float = FIGURE_PT[1]) -> None:
        super().__init__()
        self.text, self.unit, self.below = "", "", ""
        self.faded = False
        self._most_pt = most_pt
        self._inks = LIGHT
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(160, 90)

    def set_inks(self, inks: Inks) -> None:
        self._inks = inks
        self.update()

    def show_figure(self, text: str, unit: str = "", below: str = "", faded: bool = False) -> None:
        """faded: it is old, or not sure yet."""
        told = (text, unit, below, faded)
        if told == (self.text, self.unit, self.below, self.faded):
            return
        self.text, self.unit, self.below, self.faded = told
        self.setAccessibleName(f"{text} {unit}. {below}".strip(" ."))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802  Qt's name
        del event
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        room = QRectF(self.rect())
        below_h = 0.0
        if self.below:
            font = letters(TEXT_PT + 2)
            metrics = QFontMetricsF(font)
            flags = Qt.TextFlag.TextWordWrap | Qt.AlignmentFlag.AlignLeft
            need = metrics.boundingRect(room, int(flags), self.below)
            below_h = need.height() + 6.0
            painter.setFont(font)
            painter.setPen(QColor(self._inks.muted))
            painter.drawText(
                QRectF(room.left(), room.bottom() - below_h, room.width(), below_h),
                int(flags), self.below,
            )  # fmt: skip
        high = room.height() - below_h
        points = self._points(room.width(), high)
        font, small = letters(points, True), letters(max(points * 0.3, SMALL_PT + 2))
        metrics = QFontMetricsF(font)
        base = room.top() + 0.5 * (high + metrics.capHeight())
        base = min(base, room.top() + high - metrics.descent())
        painter.setFont(font)
        painter.setPen(QColor(self._inks.muted if self.faded else self._inks.ink))
        painter.drawText(QPointF(room.left(), base), self.text)
        if self.unit:
            painter.setFont(small)
            painter.setPen(QColor(self._inks.muted))
            left = room.left() + metrics.horizontalAdvance(self.text) + 0.12 * points
            painter.drawText(QPointF(left, base), self.unit)
        painter.end()

    def _points(self, wide: float, high: float) -> float:
        """The largest letters for which the figure and its unit fit."""
        low, most = SMALL_PT + 4, self._most_pt
        for _ in range(8):
            points = 0.5 * (low + most)
            metrics = QFontMetricsF(letters(points, True))
            unit = QFontMetricsF(letters(max(points * 0.3, SMALL_PT + 2)))
            need = metrics.horizontalAdvance(self.text) + 0.2 * points
            need += unit.horizontalAdvance(self.unit) if self.unit else 0.0
            if need <= wide and metrics.capHeight() + 1.1 * metrics.descent() <= high:
                low = points
            else:
                most = points
        return low


@dataclass(frozen=True)
class Marks:
    """What a strip shows, all in one unit; None where there is none.

    value  now; aim: to be set to; low, high: limits; unit in words
    """

    unit: str = ""
    value: float | None = None
    aim: float | None = None
    low: float | None = None
    high: float | None = None
    least_span: float = 1.0


class Strip(QWidget):
    """A straight rule with the limits as a hatched band, the aim as a tick and the figure as a block."""

    def __init__(self) -> None:
        super().__init__()
        self._marks = Marks()
        self._inks = LIGHT
        self.setMinimumHeight(104)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def set_inks(self, inks: Inks) -> None:
        self._inks = inks
        self.update()

    def show_marks(self, marks: Marks) -> None:
        if marks == self._marks:
            return
        self._marks = marks
        said = [
            f"{what} {x:g} {marks.unit}"
            for what, x in (
                ("now", marks.value),
                ("aim", marks.aim),
                ("at least", marks.low),
                ("at most", marks.high),
            )
            if x is not None
        ]
        self.setAccessibleName(", ".join(said))
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802  Qt's name
        return QSize(600, 104)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802  Qt's name
        del event
        m, inks = self._marks, self._inks
        stated = [x for x in (m.low, m.high, m.aim) if x is not None]
        there = stated + ([m.value] if m.value is not None else [])
        if not stated:
            return
        middle = 0.5 * (min(stated) + max(stated))
        half = max(max(stated) - min(stated), m.least_span) * 0.9
        # The scale stands still while the figure moves near it, and follows one that is far off.
        low = min(middle - half, *there) - 0.04 * half
        high = max(middle + half, *there) + 0.04 * half
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        left, wide = 14.0, self.width() - 28.0
        top, tall = 34.0, 30.0

        def x(value: float) -> float:
            return left + wide * (value - low) / (high - low)

        begin = x(m.low) if m.low is not None else left
        end = x(m.high) if m.high is not None else left + wide
        band = QRectF(begin, top, end - begin, tall)
        painter.fillRect(QRectF(left, top + tall / 2 - 1, wide, 2), QColor(inks.line))
        painter.fillRect(band, QColor(inks.band))
        hatch = QColor(inks.muted)
        hatch.setAlpha(70)
        painter.save()
        painter.setClipRect(band)
        painter.setPen(QPen(hatch, 1.0))
        at = band.left() - tall
        while at < band.right():
            painter.drawLine(int(at), int(band.bottom()), int(at + tall), int(band.top()))
            at += 11.0
        painter.restore()
        painter.setPen(QPen(QColor(inks.ink), 2.0))
        painter.setFont(letters(SMALL_PT + 1))
        metrics = QFontMetricsF(painter.font())
        rows: list[list[tuple[float, float]]] = [[], [], []]
        for value, word in ((m.aim, "aim"), (m.low, "at least"), (m.high, "at most")):
            if value is None:
                continue
            painter.drawLine(int(x(value)), int(top - 4), int(x(value)), int(top + tall + 6))
            text = f"{word} {value:g}"
            long = metrics.horizontalAdvance(text)
            begins = min(max(x(value) - 0.5 * long, left), left + wide - long)
            # A line lower where other words stand already.
            free = next(
                row for row in rows if all(begins > b + 8 or begins + long < a - 8 for a, b in row)
            )
            free.append((begins, begins + long))
            painter.drawText(int(begins), int(top + tall + 22 + 17 * rows.index(free)), text)
        if m.value is not None:
            at = x(m.value)
            painter.setPen(QPen(QColor(inks.paper), 2.0))
            painter.setBrush(QColor(inks.accent))
            corners = ((at, top + 4), (at - 13, top - 20), (at + 13, top - 20))
            painter.drawPolygon(QPolygonF([QPointF(*each) for each in corners]))
            painter.fillRect(QRectF(at - 3, top - 4, 6, tall + 8), QColor(inks.accent))
        painter.end()
