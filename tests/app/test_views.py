"""Every picture, live and of real results: what was measured stands in it, and it says what it is."""

from __future__ import annotations

import csv
from collections.abc import Callable, Generator
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QImage, QKeyEvent, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.moments import NOTHING, moment, now, specification
from app.runs import run
from breakerbench.app.theme import DARK, LIGHT, Inks
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.app.views.every import EVERY
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.picture import NO_TABLE, Picture
from breakerbench.app.views.spacing import SpacingPicture
from breakerbench.edges.recent import Seen
from breakerbench.errors import BadInput
from breakerbench.papers.subject import Subject
from breakerbench.papers.words import SIMULATED, Shown
from breakerbench.result.live_pictures import LivePictures

pytestmark = pytest.mark.usefixtures("quiet")

Make = Callable[..., Any]
CRANK = Shown("crankshaft", "crankshaft")
OF_A_COIL = (CurrentPicture, BurnPicture)
KEY, SHIFT = Qt.Key, Qt.KeyboardModifier.ShiftModifier


@pytest.fixture
def make(app: QApplication) -> Generator[Make, None, None]:
    """Makes pictures of a size, and takes them away in good order."""
    made: list[Picture] = []

    def new(kind: type[Picture], wide: int = 900, high: int = 500) -> Picture:
        picture = kind()
        picture.resize(wide, high)
        picture.show()
        made.append(picture)
        return picture

    yield new
    for picture in made:
        picture.close()
        picture.deleteLater()
    app.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)


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


# --- live ---


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


def inks_of(image: QImage) -> set[int]:
    made = image.convertToFormat(QImage.Format.Format_RGB32)
    return set(np.frombuffer(made.constBits(), np.uint32).tolist())


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


# --- results ---


@pytest.mark.parametrize("inks", [LIGHT, DARK])
@pytest.mark.parametrize("kind", EVERY)
def test_result_and_a_second_one(
    make: Make, app: QApplication, kind: type[Picture], inks: Inks
) -> None:
    picture, (first, second) = make(kind), fit(kind)
    picture.set_inks(inks)
    picture.draw_result(first)
    app.processEvents()
    assert instead(picture) == ""
    alone = len(picture.table()[1]), len(picture.table()[0])
    picture.draw_result(first, second)
    app.processEvents()
    assert (len(picture.table()[1]), len(picture.table()[0])) > alone or kind in (
        LobesPicture,
        SpacingPicture,
    )
    words = " ".join(entry.word for entry in picture.legend.entries)
    assert second.title[:20] in words
    assert picture.simulated
    picture.draw_live(moment(coil=True), now(), None)
    assert second.title[:20] not in " ".join(entry.word for entry in picture.legend.entries)


def test_figures_are_those_of_the_result(make: Make) -> None:
    lobes, spacing, advance = make(LobesPicture), make(SpacingPicture), make(AdvancePicture)
    for picture in (lobes, spacing, advance):
        picture.draw_result(dry())
    result = dry().result
    assert column(lobes, "dwell_deg") == result["dwell"]["per_lobe_deg"]
    assert column(lobes, "u_dwell_deg") == result["dwell"]["u_per_lobe_deg"]
    assert column(spacing, "error_deg") == result["spacing"]["error_deg"]
    assert set(column(spacing, "u_error_deg")) == {result["spacing"]["u_deg"]}
    for way in ("rising", "falling"):
        rows = [row[2:] for row in advance.table()[1] if row[1] == way]
        told = [(row["rpm"], row["deg"], row["u_deg"]) for row in result["advance"][way]]
        assert sorted(rows) == sorted(told)
    assert "Opening scatter: pass" in spacing.figures.text
    current, burn = make(CurrentPicture), make(BurnPicture)
    current.draw_result(on_coil())
    burn.draw_result(on_coil())
    cycles, told = on_coil().cycles, on_coil().result
    assert cycles is not None
    assert cycles.opening is not None
    assert column(current, "mean_a") == cycles.closed["current_a"].mean.tolist()
    assert column(burn, "mean_v") == cycles.opening.mean.tolist()
    assert current._end.item.getData()[1].tolist() == [told["coil"]["current_a"]]
    assert burn._end.item.value() == pytest.approx(1e3 * told["spark"]["duration_s"])
    level = told["supply"]["volts"] + told["spark"]["burn_v"]
    assert burn._level.item.getData()[1].tolist() == [level, level]


@pytest.mark.parametrize("kind", EVERY)
def test_what_a_result_lacks_is_said(make: Make, kind: type[Picture]) -> None:
    picture = make(kind)
    bare = replace(run("no-index.wav"), contact=None, cycles=None)
    picture.draw_result(bare)
    if kind is SpacingPicture and bare.get("spacing.error_deg"):
        return
    assert instead(picture).startswith("No ")
    assert len(instead(picture)) > 40


def test_no_spark_without_a_coil(make: Make) -> None:
    picture = make(BurnPicture)
    picture.draw_result(dry())
    assert instead(picture).startswith("No picture of the spark: ")


# --- zoom and cursor ---


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


# --- files ---


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
