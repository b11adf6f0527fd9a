"""Zoom, cursor, and whatever else a person does to a picture."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.moments import NOTHING, moment, now, specification
from app.pictures import (
    CRANK,
    KEY,
    SHIFT,
    Make,
    dry,
    fit,
    instead,
    press,
)
from breakerbench.app.theme import DARK, LIGHT
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.every import EVERY
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.picture import Picture
from breakerbench.papers.words import Shown

pytestmark = pytest.mark.usefixtures("quiet")


def test_keys_zoom_move_and_show_all(make: Make) -> None:
    picture = make(AdvancePicture)
    picture.draw_result(dry())
    whole = picture.panels[0].seen
    assert press(picture, KEY.Key_Plus)
    nearer = picture.panels[0].seen
    assert nearer[1] - nearer[0] == pytest.approx((whole[1] - whole[0]) / 1.25)
    assert picture.figures.text.startswith("Zoomed: 0 shows all.")
    assert press(picture, KEY.Key_Right)
    assert picture.panels[0].seen[0] > nearer[0]
    assert press(picture, KEY.Key_Up)
    assert picture.panels[0].seen[2] > nearer[2]
    assert press(picture, KEY.Key_0)
    assert picture.panels[0].seen == pytest.approx(whole)
    assert press(picture, KEY.Key_Minus)
    assert not press(picture, KEY.Key_F5)


def test_the_cursor_goes_by_keys_and_says_figures(make: Make) -> None:
    picture = make(LobesPicture)
    picture.draw_result(dry())
    assert press(picture, KEY.Key_Right, SHIFT)
    picture._put(0, 1.0)
    press(picture, KEY.Key_Right, SHIFT)
    figure = dry().result["dwell"]["per_lobe_deg"][1]
    assert picture.figures.text.startswith(f"Lobe 2: {figure:.2f} ± ")
    assert picture.figures.text.endswith(" deg")
    for _ in range(6):
        press(picture, KEY.Key_Right, SHIFT)
    assert picture.figures.text.startswith("Lobe 4: ")
    press(picture, KEY.Key_Escape)
    assert picture.panels[0].at is None


def test_the_cursor_goes_on_into_the_next_field(make: Make, app: QApplication) -> None:
    for wide in (900, 420):
        picture = make(ContactPicture, wide)
        picture.draw_live(moment(), now(), None)
        app.processEvents()
        for _ in range(60):
            press(picture, KEY.Key_Right, SHIFT)
        assert picture.active == 1
        assert " µs from the first touch: newest " in picture.figures.text
        for _ in range(130):
            press(picture, KEY.Key_Left, SHIFT)
        assert picture.active == 0
        assert "from the opening" in picture.figures.text


@pytest.mark.parametrize("kind", EVERY)
def test_the_mouse_points_and_the_wheel_zooms(
    make: Make, app: QApplication, kind: type[Picture]
) -> None:
    picture = make(kind)
    picture.draw_live(moment(coil=True), now(), specification())
    app.processEvents()
    middle = picture.panels[0].plot.getViewBox().sceneBoundingRect().center()
    picture._moved(middle)
    assert picture.panels[0].at is not None
    assert any(unit in picture.figures.text for unit in (" deg", " V", " A"))
    whole = picture.panels[0].seen
    view = picture.canvas.viewport()
    event = QWheelEvent(
        QPointF(middle), QPointF(view.mapToGlobal(middle.toPoint())), QPoint(), QPoint(0, 120),
        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(view, event)
    assert picture.panels[0].seen[1] - picture.panels[0].seen[0] < whole[1] - whole[0]
    nearer = picture.panels[0].seen
    picture.draw_live(moment(seed=9, coil=True), now(), specification())
    assert picture.panels[0].seen == nearer
    QApplication.sendEvent(view, QEvent(QEvent.Type.Leave))
    assert picture.panels[0].at is None


@pytest.mark.parametrize("kind", EVERY)
def test_no_menu_of_the_library(make: Make, app: QApplication, kind: type[Picture]) -> None:
    picture = make(kind)
    picture.draw_live(moment(coil=True), now(), specification())
    app.processEvents()
    place = picture.panels[0].plot.getViewBox().sceneBoundingRect().center().toPoint()
    QTest.mouseClick(picture.canvas.viewport(), Qt.MouseButton.RightButton, pos=place)
    app.processEvents()
    assert app.activePopupWidget() is None
    assert not picture.panels[0].plot.menuEnabled()


@pytest.mark.parametrize("kind", EVERY)
def test_whatever_comes_it_stands(make: Make, app: QApplication, kind: type[Picture]) -> None:
    """Keys, sizes, frames, results, inks and old data in any order; Qt and numpy complain of nothing."""
    picture, rng = make(kind), np.random.default_rng(7)
    keys = [
        KEY.Key_Plus,
        KEY.Key_Minus,
        KEY.Key_Left,
        KEY.Key_Right,
        KEY.Key_Up,
        KEY.Key_Down,
        KEY.Key_0,
    ]
    for turn in range(250):
        choice = int(rng.integers(12))
        if choice < 7:
            held = SHIFT if rng.integers(2) else Qt.KeyboardModifier.NoModifier
            for _ in range(int(rng.integers(1, 20))):
                press(picture, keys[choice], held)
        elif choice == 7:
            picture.resize(int(rng.integers(320, 1800)), int(rng.integers(200, 900)))
        elif choice == 8:
            lobes = int(rng.integers(1, 13))
            picture.draw_live(
                moment(lobes, turn, coil=bool(rng.integers(2))), now(), specification(lobes)
            )
        elif choice == 9:
            picture.draw_result(*fit(kind))
        elif choice == 10:
            picture.draw_live(NOTHING, now(rpm=None, advance_deg=None), None)
        else:
            picture.set_standing(bool(rng.integers(2)), float(rng.integers(300)))
            picture.set_inks(DARK if rng.integers(2) else LIGHT)
            picture.set_shown(CRANK if rng.integers(2) else Shown())
        app.processEvents()
    assert picture.figures.text or instead(picture)
