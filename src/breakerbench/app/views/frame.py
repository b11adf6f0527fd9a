"""What stands about a picture: its question, what its marks mean, what the data is, a line of figures."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QColor, QFocusEvent, QPainter, QPaintEvent, QPalette, QPen, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QStackedLayout, QVBoxLayout, QWidget

from breakerbench.app.theme import LIGHT, SMALL_PT, TEXT_PT, Inks, letters
from breakerbench.app.views.panel import canvas, panels, show
from breakerbench.app.views.stamp import Stamp
from breakerbench.app.views.words import Chip, Entry, Figures, Legend

#: Data older than this is shown as old, s.
OLD_S = 1.5
#: A reader of the screen is told at most so often, ms.
TELL_MS = 1000
#: Lower than this, one line of figures is shown, not two.
LOW_PX = 330
MARGIN = 10
SIMULATED = "SIMULATED"


class Frame(QWidget):
    """The parts of a picture and their looks."""

    title = ""
    fields = 1

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.inks = LIGHT
        self.simulated = False
        self.stale_s: float | None = None
        self.summary = ""  # what there is to see, in a sentence; empty where there is nothing
        self._old, self._told, self._saved = False, "", False
        self._make()
        self.panels = panels(self.canvas, self.fields)
        self.active = 0  # the field that keys act on

    def set_inks(self, inks: Inks) -> None:
        self.inks = inks
        worn = _faded(inks) if self._old else inks
        palette = self.palette()
        palette.setColor(QPalette.ColorRole.Window, QColor(inks.card))
        palette.setColor(QPalette.ColorRole.WindowText, QColor(inks.ink))
        self.setPalette(palette)
        self.canvas.setBackground(QColor(inks.card))
        self.legend.set_inks(worn)
        self.figures.set_inks(worn)
        self._simulated_chip.set_inks(inks)
        self._old_chip.set_inks(inks)
        self._stamp.set_inks(inks)
        for panel in self.panels:
            panel.ink(worn)
        self.update()

    def set_standing(self, simulated: bool, stale_s: float | None) -> None:
        """What the data is: simulated; so many seconds old, None or little: of this moment."""
        self.simulated, self.stale_s = simulated, stale_s
        old = stale_s is not None and stale_s >= OLD_S
        self._simulated_chip.set_word(SIMULATED if simulated else "")
        self._old_chip.set_word(f"old: {self.age} ago" if old else "")
        self._stamp.set_word(SIMULATED if simulated else "")
        if old != self._old:
            self._old = old
            self.set_inks(self.inks)
        self.tell()

    @property
    def old(self) -> bool:
        return self._old

    @property
    def age(self) -> str:
        """How old the data is, in words."""
        seconds = self.stale_s or 0.0
        return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"

    def explain(self, *entries: Entry) -> None:
        """What the marks mean."""
        self.legend.set_entries(entries)

    def place(self, there: list[int]) -> None:
        """Which of the fields are seen, side by side."""
        for k, panel in enumerate(self.panels):
            show(self.canvas, panel, k, k in there)
        if there and self.active not in there:
            self.panels[self.active].cursor.set(None)
            self.active = there[0]

    @contextmanager
    def being_saved(self) -> Iterator[None]:
        """Marks are drawn fine, and the frame of the keys is left out, for a file."""
        self._saved = True
        for panel in self.panels:
            panel.finely(True)
        try:
            yield
        finally:
            self._saved = False
            for panel in self.panels:
                panel.finely(False)

    # --- words ---

    def show_picture(self, there: bool, instead: str = "") -> None:
        """The fields, or a sentence in their place."""
        if there:
            self._stack.setCurrentIndex(0)
        elif self._instead.text() != instead:
            self._instead.setText(instead)
        if not there:
            self._stack.setCurrentIndex(1)
            self.figures.set_text("")
        if self.legend.isHidden() == there:
            self.legend.setVisible(there)
        self.tell()

    def tell(self) -> None:
        """The same for those who do not see it, once a second at most."""
        if not self._telling.isActive():
            self._tell_now()

    def _tell_now(self) -> None:
        said = "Simulated. " if self.simulated else ""
        said += f"Old: {self.age} ago. " if self._old else ""
        said += self.figures.text or self._instead.text()
        if said != self._told:
            self._told = said
            self.setAccessibleDescription(said)
            self._telling.start()

    # --- looks ---

    def _make(self) -> None:
        self.setAutoFillBackground(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(self.title)
        self.setMinimumSize(320, 200)
        self._name = QLabel(self.title)
        self._name.setFont(letters(TEXT_PT, bold=True))
        self._name.setWordWrap(True)
        self._simulated_chip, self._old_chip = Chip(), Chip()
        head = QHBoxLayout()
        head.setSpacing(6)
        head.addWidget(self._name, 1)
        for chip in (self._old_chip, self._simulated_chip):
            head.addWidget(chip, 0, Qt.AlignmentFlag.AlignTop)
        self.legend, self.figures = Legend(), Figures()
        self.canvas = canvas()
        self.canvas.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._instead = QLabel()
        self._instead.setFont(letters(TEXT_PT))
        self._instead.setWordWrap(True)
        self._instead.setTextFormat(Qt.TextFormat.PlainText)
        self._instead.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._instead.setContentsMargins(16, 0, 16, 0)
        place = QWidget()
        self._stack = QStackedLayout(place)
        self._stack.addWidget(self.canvas)
        self._stack.addWidget(self._instead)
        self._stamp = Stamp(self.canvas)
        body = QVBoxLayout(self)
        body.setContentsMargins(MARGIN, 6, MARGIN, 6)
        body.setSpacing(3)
        body.addLayout(head)
        body.addWidget(self.legend)
        body.addWidget(place, 1)
        body.addWidget(self.figures)
        self._telling = QTimer(self)
        self._telling.setSingleShot(True)
        self._telling.setInterval(TELL_MS)
        self._telling.timeout.connect(self._tell_now)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        low = self.height() < LOW_PX
        self.figures.set_lines(1 if low else 2)
        self.legend.fit(self.width() - 2 * MARGIN, low)
        font = letters(SMALL_PT if low else TEXT_PT, bold=True)
        if font != self._name.font():
            self._name.setFont(font)

    def focusInEvent(self, event: QFocusEvent) -> None:  # noqa: N802
        super().focusInEvent(event)
        self.update()

    def focusOutEvent(self, event: QFocusEvent) -> None:  # noqa: N802
        super().focusOutEvent(event)
        self.update()

    def paintEvent(self, _: QPaintEvent) -> None:  # noqa: N802
        if self.hasFocus() and not self._saved:
            painter = QPainter(self)
            painter.setPen(QPen(QColor(self.inks.accent), 2.0))
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))
            painter.end()


def _faded(inks: Inks) -> Inks:
    """Inks of old data: nothing of it looks as if it were of this moment."""
    return replace(inks, ink=inks.muted, accent=inks.muted, second=inks.muted, spread=inks.line)
