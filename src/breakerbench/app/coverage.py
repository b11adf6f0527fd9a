"""Which speeds of the range have been run, which are missing: one strip."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from breakerbench.app.theme import LIGHT, SMALL_PT, Inks, letters
from breakerbench.measure.timing import BIN_RPM
from breakerbench.papers.words import Shown


class Coverage(QWidget):
    """A cell for each 50 rpm: filled where covered, hatched where passed over, empty ahead."""

    def __init__(self) -> None:
        super().__init__()
        self._inks, self._shown = LIGHT, Shown()
        self._told: tuple[float, float, tuple[float, ...], tuple[float, ...], float | None] = (
            250.0, 2500.0, (), (), None,
        )  # fmt: skip
        self.setMinimumHeight(64)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def set_look(self, inks: Inks, shown: Shown) -> None:
        self._inks, self._shown = inks, shown
        self.update()

    def show_speeds(
        self,
        low: float,
        top: float,
        covered: tuple[float, ...],
        missing: tuple[float, ...],
        rpm: float | None,
    ) -> None:
        """All in rpm of the distributor."""
        told = (low, top, covered, missing, None if rpm is None else round(rpm / 5.0) * 5.0)
        if told == self._told:
            return
        self._told = told
        f = self._shown.factor("rpm")
        said = f"{len(covered)} speeds covered"
        if missing:
            said += ", missing " + ", ".join(f"{m * f:,.0f}" for m in missing[:6])
        self.setAccessibleName(said)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802  Qt's name
        del event
        low, top, covered, missing, rpm = self._told
        inks, f = self._inks, self._shown.factor("rpm")
        begin = min([low, *covered]) - BIN_RPM
        end = max([top, *covered, rpm or 0.0]) + BIN_RPM
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(letters(SMALL_PT))
        metrics = QFontMetricsF(painter.font())
        name = f"speeds run, {self._shown.unit('rpm')}"
        left = metrics.horizontalAdvance(name) + 16.0
        wide = self.width() - left - 24.0
        high, tall = 10.0, 22.0

        def x(at: float) -> float:
            return left + wide * (at - begin) / (end - begin)

        painter.setPen(QColor(inks.ink))
        painter.drawText(QRectF(0, high, left - 12, tall), int(Qt.AlignmentFlag.AlignVCenter), name)
        painter.setPen(QPen(QColor(inks.line), 1.0))
        painter.drawRect(QRectF(left, high, wide, tall))
        cell = wide * BIN_RPM / (end - begin)
        for at in covered:
            painter.fillRect(
                QRectF(x(at - 0.5 * BIN_RPM) + 1, high + 1, max(cell - 2, 1), tall - 1),
                QColor(inks.accent),
            )
        for at in missing:
            area = QRectF(x(at - 0.5 * BIN_RPM) + 1, high + 1, max(cell - 2, 1), tall - 1)
            painter.fillRect(area, QBrush(QColor(inks.second), Qt.BrushStyle.BDiagPattern))
        step = next(
            s for s in (100, 200, 250, 500, 1000, 2000, 5000) if (end - begin) * f / s <= 12
        )
        painter.setPen(QColor(inks.muted))
        at = step * -(-begin * f // step)
        while at <= end * f:
            text = f"{at:,.0f}"
            painter.drawText(
                QRectF(x(at / f) - 40, high + tall + 3, 80, 20),
                int(Qt.AlignmentFlag.AlignHCenter), text,
            )  # fmt: skip
            at += step
        if rpm:
            painter.setPen(QPen(QColor(inks.ink), 3.0))
            painter.drawLine(int(x(rpm)), int(high - 8), int(x(rpm)), int(high + tall + 4))
        painter.end()
