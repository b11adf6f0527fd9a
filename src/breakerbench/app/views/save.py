"""A picture or its figures into a file; beside it first, so that no half file is left."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from PySide6.QtCore import QBuffer, QIODevice, QPoint, QRect, QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QWidget

from breakerbench.errors import BadInput
from breakerbench.papers.words import SIMULATED
from breakerbench.sources.files import cannot_write, written_beside

#: A saved picture of pixels has so many for each of the screen, each way.
FINER = 2


def save_widget(widget: QWidget, path: Path, title: str) -> None:
    """The widget as it stands, as PNG or SVG by the suffix. Raises BadInput."""
    kind = path.suffix.lower()
    if kind not in (".png", ".svg"):
        raise BadInput(os.fspath(path), "is neither .png nor .svg", "end the name in one of them")
    _write(path, _svg(widget, title) if kind == ".svg" else _png(widget))


def save_table(
    path: Path,
    columns: Sequence[str],
    rows: Sequence[Sequence[Any]],
    said: Sequence[str],
    simulated: bool,
) -> None:
    """Lines with # in front, a row of names, rows of figures; what is not known is empty. BadInput."""
    text = io.StringIO()
    for line in [*([SIMULATED] if simulated else []), *said]:
        text.write(f"# {' '.join(line.split())}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([["" if each is None else each for each in row] for row in rows])
    _write(path, text.getvalue().encode())


def _png(widget: QWidget) -> bytes:
    image = QImage(widget.size() * FINER, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(FINER)
    painter = QPainter(image)
    widget.render(painter, QPoint())
    painter.end()
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    image.save(buffer, "PNG")  # type: ignore[call-overload]
    return bytes(buffer.data().data())


def _svg(widget: QWidget, title: str) -> bytes:
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    made = QSvgGenerator()
    made.setOutputDevice(buffer)
    made.setSize(QSize(widget.size()))
    made.setViewBox(QRect(0, 0, widget.width(), widget.height()))
    made.setTitle(title)
    painter = QPainter(made)
    widget.render(painter, QPoint())
    painter.end()
    return bytes(buffer.data().data())


def _write(path: Path, content: bytes) -> None:
    with written_beside(path) as beside:
        try:
            beside.write_bytes(content)
        except OSError as error:
            raise cannot_write(path, error) from error
