"""Fields for a number with its unit."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QLocale
from PySide6.QtWidgets import QDoubleSpinBox

from breakerbench.app.theme import TEXT_PT, letters


def number_field(
    name: str, value: float, low: float, high: float, unit: str, changed: Callable[[], None]
) -> QDoubleSpinBox:
    """Takes a number between ``low`` and ``high``; ``changed`` is told once it has been entered."""
    field = QDoubleSpinBox()
    field.setLocale(QLocale.c())
    field.setDecimals(2)
    field.setRange(low, high)
    field.setValue(value)
    field.setSuffix(f" {unit}")
    field.setFont(letters(TEXT_PT))
    field.setAccessibleName(f"{name}, {unit}")
    field.setButtonSymbols(QDoubleSpinBox.ButtonSymbols.NoButtons)
    field.setKeyboardTracking(False)
    field.valueChanged.connect(lambda _: changed())
    return field
