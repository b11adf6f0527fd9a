"""Every picture of real results: the figures are those of the result."""

from __future__ import annotations

from dataclasses import replace

import pytest
from PySide6.QtWidgets import QApplication

from app.moments import moment, now
from app.pictures import (
    Make,
    column,
    dry,
    fit,
    instead,
    on_coil,
)
from app.runs import run
from breakerbench.app.theme import DARK, LIGHT, Inks
from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.app.views.every import EVERY
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.picture import Picture
from breakerbench.app.views.spacing import SpacingPicture

pytestmark = pytest.mark.usefixtures("quiet")


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
