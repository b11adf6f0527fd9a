"""Every picture, live: what was seen stands in it, and it says what the data is."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QApplication

from app.moments import NOTHING, moment, now, specification
from app.pictures import (
    CRANK,
    Make,
    column,
    dry,
    inks_of,
    instead,
)
from breakerbench.app.theme import DARK, LIGHT, Inks
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.every import EVERY
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.picture import NO_TABLE, Picture
from breakerbench.app.views.spacing import SpacingPicture
from breakerbench.edges.recent import Seen
from breakerbench.result.live_pictures import LivePictures

pytestmark = pytest.mark.usefixtures("quiet")


@pytest.mark.parametrize("inks", [LIGHT, DARK])
@pytest.mark.parametrize("kind", EVERY)
def test_live(make: Make, app: QApplication, kind: type[Picture], inks: Inks) -> None:
    picture = make(kind)
    picture.set_inks(inks)
    picture.draw_live(moment(coil=True), now(), specification())
    app.processEvents()
    assert instead(picture) == ""
    assert picture.table()[1]
    assert picture.legend.entries
    assert picture.accessibleName() == picture.title
    assert picture.title.endswith("?")
    picture._telling.timeout.emit()
    assert picture.figures.text in picture.accessibleDescription()


@pytest.mark.parametrize("kind", EVERY)
def test_nothing_yet_says_what_is_waited_for(make: Make, kind: type[Picture]) -> None:
    picture = make(kind)
    for _ in range(2):
        assert instead(picture) == kind.waiting
        assert picture.table() == NO_TABLE
        picture.draw_live(NOTHING, now(rpm=None, advance_deg=None), None)
    picture.draw_live(moment(coil=True), now(), None)
    assert instead(picture) == ""
    picture.draw_live(NOTHING, now(rpm=None, advance_deg=None), None)
    assert instead(picture) == kind.waiting


@pytest.mark.parametrize("kind", EVERY)
def test_a_frame_makes_nothing_new(make: Make, kind: type[Picture]) -> None:
    picture = make(kind)
    picture.draw_live(moment(coil=True), now(), specification())
    before = {id(item) for item in picture.canvas.scene().items()}
    kept = list(picture.canvas.scene().items())
    for seed in range(2, 8):
        picture.draw_live(moment(seed=seed, coil=True), now(rpm=900.0 + seed), specification())
    assert {id(item) for item in picture.canvas.scene().items()} == before
    assert kept


@pytest.mark.parametrize("lobes", range(1, 13))
@pytest.mark.parametrize("kind", [LobesPicture, SpacingPicture])
def test_each_number_of_lobes(make: Make, kind: type[Picture], lobes: int) -> None:
    picture, pictures = make(kind), moment(lobes)
    picture.draw_live(pictures, now(), specification(lobes))
    assert column(picture, "lobe") == list(range(1, lobes + 1))
    figures = pictures.lobe_dwell_deg if kind is LobesPicture else pictures.lobe_late_deg
    assert column(picture, "newest_deg") == figures[-1].tolist()
    assert column(picture, "lowest_deg") == figures.min(axis=0).tolist()
    assert column(picture, "highest_deg") == figures.max(axis=0).tolist()
    left, right, *_ = picture.panels[0].seen
    assert (left, right) == (0.5, lobes + 0.5)


@pytest.mark.parametrize("kind", EVERY)
def test_nan_is_left_out(make: Make, app: QApplication, kind: type[Picture]) -> None:
    whole = moment(coil=True)
    late, dwell = whole.lobe_late_deg.copy(), whole.lobe_dwell_deg.copy()
    for each in (late, dwell):
        each[:, 1] = np.nan  # a lobe of which nothing is known
        each[-1, 2] = np.nan  # and one without a newest

    def holed(seen: Seen | None) -> Seen | None:
        assert seen is not None
        parts = [each.copy() for each in (seen.mean, seen.low, seen.high, seen.newest)]
        for each in parts:
            each[10:20] = np.nan
        parts[3][:] = np.nan
        return Seen(seen.time_s, *parts, seen.n)

    pictures = LivePictures(
        holed(whole.opening), holed(whole.touch), holed(whole.current), holed(whole.burn), late, dwell,
        whole.advance,
    )  # fmt: skip
    picture = make(kind)
    picture.draw_live(pictures, now(), specification())
    app.processEvents()
    assert instead(picture) == ""
    assert "nan" not in picture.figures.text
    assert not any(
        isinstance(each, float) and np.isnan(each) for row in picture.table()[1] for each in row
    )
    nothing = LivePictures(
        None, None, None, None, np.full((5, 4), np.nan), np.full((5, 4), np.nan), ()
    )  # fmt: skip
    picture.draw_live(nothing, now(rpm=None, advance_deg=None), specification())
    assert instead(picture) == kind.waiting


def test_the_traces_stand_as_they_were_seen(make: Make) -> None:
    picture, pictures = make(ContactPicture), moment()
    picture.draw_live(pictures, now(), None)
    for panel, seen in zip(picture.panels, (pictures.opening, pictures.touch), strict=True):
        assert seen is not None
        curves = [item.getData() for item in panel.plot.items if hasattr(item, "getData")]
        drawn = [y for x, y in curves if x is not None and len(x) == len(seen.time_s)]
        assert any(np.array_equal(y, seen.newest) for y in drawn)
        assert any(np.array_equal(y, seen.mean) for y in drawn)


def test_a_narrow_picture_shows_one_edge(make: Make, app: QApplication) -> None:
    picture = make(ContactPicture, 420, 260)
    picture.draw_live(moment(), now(), None)
    app.processEvents()
    assert [
        panel.plot.isVisible() and panel.plot.scene() is not None for panel in picture.panels
    ] == [True, False]
    picture.show_edge(1)
    assert [panel.plot.scene() is not None for panel in picture.panels] == [False, True]
    picture.resize(900, 400)
    app.processEvents()
    assert all(panel.plot.scene() is not None for panel in picture.panels)


def test_the_point_of_this_moment_is_ringed_with_its_speed(make: Make) -> None:
    picture = make(AdvancePicture)
    picture.draw_live(moment(), now(rpm=1234.0, advance_deg=7.25), specification())
    assert picture._ring.item.getData()[0].tolist() == [1234.0]
    assert picture._ring.item.getData()[1].tolist() == [7.25]
    assert picture._speed.item.toPlainText() == "1,234 rpm"
    assert "counted from the openings at 250 rpm" in picture.figures.text
    picture.draw_live(moment(), now(rpm=0.0, advance_deg=None), specification())
    assert not picture._ring.item.isVisible()


def test_rising_and_falling_differ_by_shape(make: Make) -> None:
    picture = make(AdvancePicture)
    picture.draw_live(moment(), now(), specification())
    up, down = (mark.item for mark in picture._trail)
    assert up.opts["symbol"] != down.opts["symbol"]
    points = moment().advance
    for item, rising in ((up, True), (down, False)):
        assert item.getData()[0].tolist() == [each.rpm for each in points if each.rising is rising]


# --- what the data is ---


@pytest.mark.parametrize("kind", EVERY)
def test_old_data_says_so_and_fades(make: Make, kind: type[Picture]) -> None:
    picture = make(kind)
    picture.draw_live(moment(coil=True), now(), specification())
    picture.set_standing(False, 0.2)
    assert picture._old_chip.isHidden()
    fresh = picture.grab().toImage()
    picture.set_standing(False, 12.0)
    assert picture._old_chip.text() == "old: 12 s ago"
    assert not picture._old_chip.isHidden()
    assert QColor(LIGHT.accent).rgb() in inks_of(fresh) or kind is ContactPicture
    assert QColor(LIGHT.accent).rgb() not in inks_of(
        picture.grab().toImage().copy(20, 60, 860, 420)
    )
    picture.set_standing(False, None)
    assert picture._old_chip.isHidden()


def test_a_reader_of_the_screen_is_told_once_a_second(make: Make) -> None:
    picture = make(LobesPicture)
    picture.draw_live(moment(), now(), None)
    picture._telling.timeout.emit()
    told = picture.accessibleDescription()
    picture.draw_live(moment(seed=5), now(), None)
    assert picture.accessibleDescription() == told
    picture._telling.timeout.emit()
    assert picture.accessibleDescription() != told


def test_units_are_those_of_the_display(make: Make) -> None:
    picture, pictures = make(LobesPicture), moment()
    picture.draw_live(pictures, now(), specification())
    picture.set_shown(CRANK)
    assert column(picture, "newest_crank_deg") == (2.0 * pictures.lobe_dwell_deg[-1]).tolist()
    assert picture.panels[0].plot.getAxis("left").labelText == "dwell, crank deg"
    assert "crank deg" in picture.figures.text
    advance = make(AdvancePicture)
    advance.set_shown(CRANK)
    advance.draw_result(dry())
    first = dry().get("advance.rising")[0]
    assert advance.table()[0][2:4] == ("speed_crank_rpm", "advance_crank_deg")
    assert advance.table()[1][0][2:4] == (2.0 * first["rpm"], 2.0 * first["deg"])
