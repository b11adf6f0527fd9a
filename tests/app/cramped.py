"""Whether all words of a window can be read and nothing lies upon anything else."""

from __future__ import annotations

from itertools import combinations

from PySide6.QtCore import QRect, Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import (
    QAbstractScrollArea,
    QAbstractSpinBox,
    QComboBox,
    QLabel,
    QLineEdit,
    QListWidget,
    QPushButton,
    QStackedWidget,
    QStyle,
    QStyleOptionButton,
    QStyleOptionComboBox,
    QWidget,
)

from breakerbench.app.parts import Figure
from breakerbench.app.theme import SMALL_PT, letters

#: Rounding of letters that are placed in whole points, pixels.
SLACK_PX = 1.0


def cramped(window: QWidget) -> list[str]:
    """What is clipped, cut off or overlapped, in words; empty where all is well."""
    found: list[str] = []
    for label in _seen(window, QLabel):
        found += _label(label)
    for button in _seen(window, QPushButton):
        found += _button(button)
    for combo in _seen(window, QComboBox):
        found += _combo(combo)
    for edit in _seen(window, QLineEdit):
        found += _edit(edit)
    for rows in _seen(window, QListWidget):
        found += _rows(rows)
    for figure in _seen(window, Figure):
        found += _figure(figure)
    for parent in [window, *_seen(window, QWidget)]:
        if not isinstance(parent, QAbstractScrollArea | QStackedWidget | QAbstractSpinBox):
            found += _children(parent)
    return found


def _seen(window: QWidget, kind: type) -> list:  # type: ignore[type-arg]
    return [
        each
        for each in window.findChildren(kind)
        if each.isVisible() and each.window() is window and not _of_a_plot(each)
    ]


def _of_a_plot(part: QWidget) -> bool:
    """Within a picture's canvas or a scrolled area, where what is not seen can be scrolled to."""
    above = part.parentWidget()
    while above is not None:
        if isinstance(above, QAbstractScrollArea):
            return True
        above = above.parentWidget()
    return False


def _tell(part: QWidget, what: str) -> str:
    return f"{type(part).__name__} {what}"


def _label(label: QLabel) -> list[str]:
    room, text = label.contentsRect(), label.text()
    if not text or label.textFormat() == Qt.TextFormat.RichText:
        return []
    metrics = label.fontMetrics()
    if not label.wordWrap():
        need = metrics.size(0, text)
        short = need.width() > room.width() + SLACK_PX or need.height() > room.height() + SLACK_PX
    else:
        flags = int(Qt.TextFlag.TextWordWrap)
        box = metrics.boundingRect(QRect(0, 0, room.width(), 10_000), flags, text)
        short = box.height() > room.height() + SLACK_PX or box.width() > room.width() + SLACK_PX
    return [_tell(label, f"clipped: {text!r} in {room.width()} x {room.height()}")] if short else []


def _button(button: QPushButton) -> list[str]:
    option = QStyleOptionButton()
    button.initStyleOption(option)
    room = button.style().subElementRect(
        QStyle.SubElement.SE_PushButtonContents, option, button
    )  # fmt: skip
    need = button.fontMetrics().size(int(Qt.TextFlag.TextShowMnemonic), button.text())
    if need.width() > room.width() + SLACK_PX or need.height() > room.height() + SLACK_PX:
        return [_tell(button, f"clipped: {button.text()!r} in {room.width()} x {room.height()}")]
    return []


def _combo(combo: QComboBox) -> list[str]:
    option = QStyleOptionComboBox()
    combo.initStyleOption(option)
    room = combo.style().subControlRect(
        QStyle.ComplexControl.CC_ComboBox, option, QStyle.SubControl.SC_ComboBoxEditField, combo
    )
    if combo.fontMetrics().horizontalAdvance(combo.currentText()) > room.width() + SLACK_PX:
        return [_tell(combo, f"clipped: {combo.currentText()!r} in {room.width()}")]
    return []


def _edit(edit: QLineEdit) -> list[str]:
    """Its height for what is written, its width for what is asked."""
    room = edit.contentsRect()
    if edit.height() < edit.fontMetrics().height():
        return [_tell(edit, f"flat: {edit.text()!r} in {edit.height()}")]
    asked = edit.placeholderText()
    if not edit.text() and edit.fontMetrics().horizontalAdvance(asked) > room.width():
        return [_tell(edit, f"clipped: {asked!r} in {room.width()}")]
    return []


def _rows(rows: QListWidget) -> list[str]:
    found = []
    for k in range(rows.count()):
        item = rows.item(k)
        room = rows.visualItemRect(item)
        inner = room.width() - 16  # padding of the sheet
        flags = int(Qt.TextFlag.TextWordWrap)
        need = rows.fontMetrics().boundingRect(QRect(0, 0, inner, 10_000), flags, item.text())
        if need.height() > room.height() - 10 or need.width() > inner + SLACK_PX:
            found.append(
                _tell(rows, f"row clipped: {item.text()!r} in {room.width()} x {room.height()}")
            )
    return found


def _figure(figure: Figure) -> list[str]:
    least = letters(SMALL_PT + 4, True)
    need = QFontMetricsF(least).horizontalAdvance(figure.text)
    if need > figure.width():
        return [_tell(figure, f"clipped: {figure.text!r} in {figure.width()}")]
    return []


def _children(parent: QWidget) -> list[str]:
    there = [
        each
        for each in parent.children()
        if isinstance(each, QWidget) and each.isVisible() and not each.isWindow()
    ]
    found = []
    for each in there:
        if not parent.rect().contains(each.geometry()) and each.width() and each.height():
            found.append(_tell(each, f"reaches out of {type(parent).__name__}: {_name(each)}"))
    for one, other in combinations(there, 2):
        both = one.geometry().intersected(other.geometry())
        if both.width() > 0 and both.height() > 0:
            found.append(f"{_name(one)} and {_name(other)} overlap")
    return found


def _name(part: QWidget) -> str:
    text = getattr(part, "text", None)
    said = text() if callable(text) else part.objectName() or part.accessibleName()
    return f"{type(part).__name__} {said!r} {part.geometry().getRect()}"
