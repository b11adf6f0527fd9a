"""A word in outline across the whole field: no curve hides it, and it hides no curve."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPaintEvent, QPen, QTransform
from PySide6.QtWidgets import QWidget

from breakerbench.app.theme import LIGHT, Inks, letters
from breakerbench.app.views.panel import fields

#: Shares of a field's width and height that the word takes at most, and its width in pixels.
WIDE, HIGH, MOST_PX = 0.8, 0.3, 440.0


class Stamp(QWidget):
    """Lies upon a canvas of panels, takes no mouse."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._inks, self._word = LIGHT, ""
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setVisible(False)
        parent.installEventFilter(self)

    def set_word(self, word: str) -> None:
        if word != self._word:
            self._word = word
            self.setVisible(bool(word))
            self.raise_()

    def set_inks(self, inks: Inks) -> None:
        self._inks = inks
        self.update()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        if event.type() == QEvent.Type.Resize:
            parent = self.parentWidget()
            if parent is not None:
                self.setGeometry(parent.rect())
        return super().eventFilter(watched, event)

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        path = QPainterPath()
        path.addText(0.0, 0.0, letters(40.0, bold=True), self._word)
        box = path.boundingRect()
        if box.isEmpty():
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        ink = QColor(self._inks.on_notice)
        ink.setAlphaF(0.5)
        painter.setPen(QPen(ink, 1.1))
        for field in fields(self.parentWidget()):
            wide = min(WIDE * field.width(), MOST_PX)
            scale = min(wide / box.width(), HIGH * field.height() / box.height())
            middle = field.center()
            place = QTransform.fromTranslate(middle.x(), middle.y()).scale(scale, scale)
            place.translate(-box.center().x(), -box.center().y())
            painter.drawPath(place.map(path))
        painter.end()
