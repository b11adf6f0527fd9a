"""Each figure that the help explains has two sentences and a drawing in the inks."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtWidgets import QApplication

from breakerbench.app.help_text import EXPLAINED, Explained
from breakerbench.app.theme import DARK, LIGHT, Inks
from breakerbench.app.views.drawings import DRAWINGS, drawing

pytestmark = pytest.mark.usefixtures("quiet")


def painted(key: str, inks: Inks, wide: int, high: int) -> QImage:
    image = QImage(wide + 40, high + 40, QImage.Format.Format_RGB32)
    image.fill(QColor(inks.card))
    painter = QPainter(image)
    drawing(key)(painter, QRectF(20, 20, wide, high), inks)
    painter.end()
    return image


@pytest.mark.parametrize("each", EXPLAINED, ids=lambda each: each.key)
@pytest.mark.parametrize("inks", [LIGHT, DARK])
def test_each_figure_is_drawn_within_its_place(
    app: QApplication, each: Explained, inks: Inks
) -> None:
    del app
    for wide, high in ((280, 170), (600, 400)):
        image = painted(each.key, inks, wide, high)
        card = QColor(inks.card).rgb()
        width, height = image.width(), image.height()
        inside = sum(
            image.pixel(x, y) != card
            for x in range(20, width - 20, 3)
            for y in range(20, height - 20, 3)
        )
        assert inside > 100
        edge = [(x, y) for x in range(width) for y in (*range(17), *range(height - 17, height))]
        edge += [(x, y) for y in range(height) for x in (*range(17), *range(width - 17, width))]
        assert all(image.pixel(x, y) == card for x, y in edge)


def test_every_figure_has_a_drawing_and_two_sentences() -> None:
    assert [each.key for each in EXPLAINED] == list(DRAWINGS)
    for each in EXPLAINED:
        for sentence in (each.what, each.tells):
            assert sentence.endswith(".")
            assert ". " not in sentence  # one sentence each


def test_no_other_drawing() -> None:
    with pytest.raises(KeyError):
        drawing("something else")
