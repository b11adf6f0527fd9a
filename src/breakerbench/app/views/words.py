"""The words about a picture: what its marks mean, a line of figures, and chips that say what it is."""

from __future__ import annotations

from typing import NamedTuple

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QPainter,
    QPaintEvent,
    QPalette,
    QPen,
    QPolygonF,
)
from PySide6.QtWidgets import QLabel, QSizePolicy, QWidget

from breakerbench.app.theme import LIGHT, SMALL_PT, Inks, letters
from breakerbench.app.views.marks import DASHES

#: Width of a sample, room after it and after its word, pixels.
SAMPLE, NEAR, APART = 20.0, 5.0, 16.0


class Entry(NamedTuple):
    """kind: line, dashed, rule, upright, area, bar, dot, o, d, s, up, down, ring; hollow: - at its end.

    short  the word where there is little room
    """

    kind: str
    role: str
    word: str
    short: str = ""


class Legend(QWidget):
    """What the marks mean, in a row that breaks where it must: beside the data, never upon it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._inks, self._entries = LIGHT, tuple[Entry, ...]()
        self._font, self._room, self._short = letters(SMALL_PT), 400, False
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)

    @property
    def entries(self) -> tuple[Entry, ...]:
        return self._entries

    def set_entries(self, entries: tuple[Entry, ...]) -> None:
        if entries != self._entries:
            self._entries = entries
            self.fit(self._room, self._short)

    def fit(self, width: int, short: bool) -> None:
        """Takes the height that it needs at this width."""
        self._room, self._short = width, short
        places = self._places(width)
        self.setFixedHeight(round(places[-1].bottom()) + 2 if places else 0)
        self.update()

    def set_inks(self, inks: Inks) -> None:
        self._inks = inks
        self.update()

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(self._font)
        flags = Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft
        for entry, place in zip(self._entries, self._places(self._room), strict=True):
            sample = QRectF(place.left(), place.top(), SAMPLE, place.height())
            _sample(painter, sample, entry, self._inks)
            painter.setPen(QColor(self._inks.ink))
            painter.drawText(place.adjusted(SAMPLE + NEAR, 0, 0, 0), flags, self._word(entry))
        painter.end()

    def _word(self, entry: Entry) -> str:
        return entry.short if self._short and entry.short else entry.word

    def _places(self, width: int) -> list[QRectF]:
        metrics, places = QFontMetricsF(self._font), list[QRectF]()
        x, y, tall = 0.0, 0.0, metrics.height()
        for entry in self._entries:
            wide = SAMPLE + NEAR + metrics.horizontalAdvance(self._word(entry)) + 2.0
            if x > 0.0 and x + wide > width:
                x, y = 0.0, y + tall + 1.0
            places.append(QRectF(x, y, wide, tall))
            x += wide + APART
        return places


def _sample(painter: QPainter, place: QRectF, entry: Entry, inks: Inks) -> None:
    """The mark itself, small."""
    hollow, kind = entry.kind.endswith("-"), entry.kind.removesuffix("-")
    ink, middle = QColor(getattr(inks, entry.role)), place.center()
    if kind == "area":
        painter.setPen(QPen(QColor(inks.muted), 1.0))
        painter.setBrush(ink)
        painter.drawRect(place.adjusted(0.5, 3.5, -0.5, -3.5))
        return
    if kind in ("line", "dashed", "rule"):
        line = QPen(ink, 1.4 if kind == "rule" else 2.2)
        line.setCapStyle(Qt.PenCapStyle.FlatCap)
        if kind == "dashed":
            line.setDashPattern(DASHES)
        painter.setPen(line)
        painter.drawLine(QPointF(place.left(), middle.y()), QPointF(place.right(), middle.y()))
        return
    if kind in ("bar", "upright"):
        painter.setPen(QPen(ink, 8.0 if kind == "bar" else 2.0))
        painter.drawLine(middle - QPointF(0, 6.5), middle + QPointF(0, 6.5))
        return
    painter.setPen(QPen(ink, 1.8))
    painter.setBrush(QColor(inks.card) if hollow or kind == "ring" else ink)
    r = 5.0
    corners = {
        "up": [(-r, r), (r, r), (0.0, -r)],
        "down": [(-r, -r), (r, -r), (0.0, r)],
        "d": [(-r, 0.0), (0.0, -r), (r, 0.0), (0.0, r)],
        "s": [(-4.0, -4.0), (4.0, -4.0), (4.0, 4.0), (-4.0, 4.0)],
    }.get(kind)
    if corners:
        painter.drawPolygon(QPolygonF([middle + QPointF(*corner) for corner in corners]))
    else:
        size = {"dot": 1.5, "ring": 7.0}.get(kind, 4.5)
        painter.drawEllipse(middle, size, size)


class Figures(QWidget):
    """One or two lines of words that change many times a second: no layout comes of it."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._inks, self._text, self._lines = LIGHT, "", 2
        self._font = letters(SMALL_PT)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.set_lines(2)

    @property
    def text(self) -> str:
        return self._text

    def set_lines(self, lines: int) -> None:
        self._lines = lines
        self.setFixedHeight(round(QFontMetricsF(self._font).height() * lines) + 2)

    def set_text(self, text: str) -> None:
        if text != self._text:
            self._text = text
            self.setToolTip(text)
            self.update()

    def set_inks(self, inks: Inks) -> None:
        self._inks = inks
        self.update()

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.setFont(self._font)
        painter.setPen(QColor(self._inks.ink))
        metrics, words, y = QFontMetricsF(self._font), self._text.split(), metrics_top(self._font)
        for k in range(self._lines):
            line = ""
            while words and metrics.horizontalAdvance(f"{line} {words[0]}".strip()) <= self.width():
                line = f"{line} {words.pop(0)}".strip()
            if words and (k == self._lines - 1 or not line):
                rest = " ".join([line, *words]).strip()
                line = metrics.elidedText(rest, Qt.TextElideMode.ElideRight, self.width())
                words = []
            painter.drawText(QPointF(0.0, y + k * metrics.height()), line)
        painter.end()


def metrics_top(font: QFont) -> float:
    """Base of the first line."""
    return QFontMetricsF(font).ascent() + 1.0


class Chip(QLabel):
    """A word on a ground of its own: simulated, old."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFont(letters(SMALL_PT, bold=True))
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setAutoFillBackground(True)
        self.setContentsMargins(5, 0, 5, 1)
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        self.setVisible(False)

    def set_word(self, word: str) -> None:
        if word != self.text():
            self.setText(word)
        if self.isHidden() == bool(word):
            self.setVisible(bool(word))

    def set_inks(self, inks: Inks) -> None:
        palette = self.palette()
        palette.setColor(QPalette.ColorRole.Window, QColor(inks.notice))
        palette.setColor(QPalette.ColorRole.WindowText, QColor(inks.on_notice))
        self.setPalette(palette)
