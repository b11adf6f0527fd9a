"""What the tests of the pictures share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QImage, QKeyEvent
from PySide6.QtWidgets import QApplication

from app.runs import run
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.app.views.picture import Picture
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import Shown

Make = Callable[..., Any]
CRANK = Shown("crankshaft", "crankshaft")
OF_A_COIL = (CurrentPicture, BurnPicture)
KEY, SHIFT = Qt.Key, Qt.KeyboardModifier.ShiftModifier


def dry() -> Subject:
    return run("healthy-12v.bbr", "four-lobes.toml")


def on_coil() -> Subject:
    return run("burnt-points-on-coil.bbr", "circuit.toml")


def fit(kind: type[Picture]) -> tuple[Subject, Subject]:
    """A run for this picture, and a second one."""
    if kind in OF_A_COIL:
        return on_coil(), run("hidden-resistor-on-coil.bbr", "circuit.toml")
    return dry(), run("sticking-weights.bbr", "four-lobes.toml")


def column(picture: Picture, name: str) -> list[Any]:
    columns, rows = picture.table()
    return [row[columns.index(name)] for row in rows]


def press(picture: Picture, key: Qt.Key, held: Any = Qt.KeyboardModifier.NoModifier) -> bool:
    event = QKeyEvent(QEvent.Type.KeyPress, key, held)
    QApplication.sendEvent(picture, event)
    return event.isAccepted()


def instead(picture: Picture) -> str:
    """The sentence in the place of a picture, "" where there is one."""
    return "" if picture.canvas.isVisible() else picture._instead.text()


def inks_of(image: QImage) -> set[int]:
    made = image.convertToFormat(QImage.Format.Format_RGB32)
    return set(np.frombuffer(made.constBits(), np.uint32).tolist())
