"""Help: each figure in two sentences with a drawing; and the keys."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QListWidget, QVBoxLayout, QWidget

from breakerbench.app.help_text import EXPLAINED
from breakerbench.app.pages import Page
from breakerbench.app.parts import Card, say, words
from breakerbench.app.theme import LIGHT, TEXT_PT, Inks, letters
from breakerbench.app.views.drawings import drawing
from breakerbench.papers.words import Shown

KEYS = (
    "Enter, Space, Page Down or the foot-switch: what the great button says.   Backspace, Page Up: "
    "back.   1 to 9: a step.   R: again.   S: leave it out.   F5: repeat the last distributor.   "
    "P: next picture; + - arrows 0: zoom; Shift with an arrow: the cursor.   Ctrl+S, Ctrl+D: save "
    "picture, data.   Ctrl+O: open a trace.   F1, F2: help, settings.   F11: the whole screen.   "
    "Escape: back to the job."
)


class _Sketch(QWidget):
    """The drawing of one figure."""

    def __init__(self) -> None:
        super().__init__()
        self.key, self.inks = EXPLAINED[0].key, LIGHT
        self.setMinimumSize(320, 220)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802  Qt's name
        del event
        painter = QPainter(self)
        drawing(self.key)(painter, QRectF(self.rect()), self.inks)
        painter.end()


class HelpPage(Page):
    """A list of figures; arrow keys go from one to the next."""

    def __init__(self) -> None:
        super().__init__()
        box = self.headed("What does each figure mean?")
        self._list = QListWidget()
        self._list.setFont(letters(TEXT_PT))
        self._list.setAccessibleName("figures")
        self._list.addItems([each.name for each in EXPLAINED])
        self._list.setFixedWidth(310)
        self._list.setWordWrap(True)
        self._list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._name = words("", TEXT_PT + 6, True)
        self._what, self._tells = words("", TEXT_PT + 2), words("", TEXT_PT + 2)
        self._sketch = _Sketch()
        right = QVBoxLayout()
        right.addWidget(
            Card(self._name, self._what, self._tells, self._sketch, stretch=(0, 0, 0, 1)), 1
        )
        across = QHBoxLayout()
        across.setSpacing(12)
        across.addWidget(self._list)
        across.addLayout(right, 1)
        box.addLayout(across, 1)
        box.addWidget(words(KEYS, TEXT_PT - 1))
        self._list.currentRowChanged.connect(self._chosen)
        self._list.setCurrentRow(0)

    def enter(self) -> None:
        self._list.setFocus()

    def _chosen(self, row: int) -> None:
        if 0 <= row < len(EXPLAINED):
            each = EXPLAINED[row]
            say(self._name, each.name)
            say(self._what, each.what)
            say(self._tells, each.tells)
            self._sketch.key = each.key
            self._sketch.setAccessibleName(f"drawing: {each.name}")
            self._sketch.update()

    def set_look(self, inks: Inks, shown: Shown) -> None:
        del shown
        self._sketch.inks = inks
        self._sketch.update()
