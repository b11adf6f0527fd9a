"""Saved pictures and data, read back."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PySide6.QtGui import QColor, QImage
from PySide6.QtWidgets import QApplication

from app.moments import moment, now, specification
from app.pictures import (
    Make,
    dry,
    fit,
    inks_of,
)
from breakerbench.app.theme import DARK, LIGHT, Inks
from breakerbench.app.views.every import EVERY
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.picture import Picture
from breakerbench.errors import BadInput
from breakerbench.papers.words import SIMULATED

pytestmark = pytest.mark.usefixtures("quiet")


@pytest.mark.parametrize("kind", EVERY)
def test_saved_data_is_the_table(make: Make, tmp_path: Path, kind: type[Picture]) -> None:
    picture = make(kind)
    picture.draw_result(*fit(kind))
    picture.save_data(tmp_path / "it.csv")
    lines = (tmp_path / "it.csv").read_text().splitlines()
    said = [line for line in lines if line.startswith("#")]
    assert said[0] == f"# {SIMULATED}"
    assert f"# {picture.title}" in said
    assert f"# {picture.shown}" in said
    header, *rows = csv.reader(lines[len(said) :])
    columns, table = picture.table()
    assert tuple(header) == columns
    assert [[_number(each) for each in row] for row in rows] == [list(row) for row in table]
    picture.draw_live(moment(coil=True), now(), None)
    picture.set_standing(False, 4.0)
    picture.save_data(tmp_path / "it.csv")
    text = (tmp_path / "it.csv").read_text()
    assert SIMULATED not in text
    assert "# live, 4 s old\n" in text


def _number(text: str) -> Any:
    if text == "":
        return None
    try:
        return int(text)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text


@pytest.mark.parametrize("inks", [LIGHT, DARK])
@pytest.mark.parametrize("kind", EVERY)
def test_a_saved_picture_says_simulated(
    make: Make, tmp_path: Path, kind: type[Picture], inks: Inks
) -> None:
    picture = make(kind, 620, 360)
    picture.set_inks(inks)
    picture.draw_live(moment(coil=True), now(), specification())
    found = {}
    for simulated in (True, False):
        picture.set_standing(simulated, 0.0)
        QApplication.processEvents()
        picture.save_picture(tmp_path / "it.png")
        image = QImage(str(tmp_path / "it.png"))
        assert (image.width(), image.height()) == (1240, 720)
        found[simulated] = image.convertToFormat(QImage.Format.Format_RGB32)
    assert QColor(inks.notice).rgb() in inks_of(found[True])
    assert QColor(inks.notice).rgb() not in inks_of(found[False])
    first, second = (
        np.frombuffer(found[each].constBits(), np.uint32).reshape(720, 1240)
        for each in (True, False)
    )
    assert np.count_nonzero((first != second)[200:600]) > 500  # the word across the field
    picture.set_standing(True, 0.0)
    QApplication.processEvents()
    picture.save_picture(tmp_path / "it.svg")
    root = ElementTree.parse(tmp_path / "it.svg").getroot()
    assert "SIMULATED" in [
        (each.text or "").strip() for each in root.iter() if each.tag.endswith("text")
    ]


def test_a_file_that_cannot_be_written_is_said(make: Make, tmp_path: Path) -> None:
    picture = make(LobesPicture)
    picture.draw_result(dry())
    with pytest.raises(BadInput, match="is neither"):
        picture.save_picture(tmp_path / "it.bmp")
    for save in (picture.save_picture, picture.save_data):
        with pytest.raises(BadInput, match="make the folder first"):
            save(tmp_path / "none" / "it.png")
    assert list(tmp_path.iterdir()) == []
