"""The pictures of coil, contact drop and spark: what stands in them is what was measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from breakerbench.papers.plots import pictures, png, svg
from breakerbench.papers.subject import (
    AT_STATED,
    BURN_LINE,
    BY_FIGURES,
    COIL,
    DROP,
    MEAN_TRACE,
    NO_CYCLES,
    SPARK,
    SPARK_END,
    Subject,
    missing,
)
from papers.pages import bars, said
from papers.results import CIRCUIT, cycles, result, specification, subject


def drawn(stem: str, told: dict[str, Any] | None = None, sign: float = 1.0) -> Figure:
    what = replace(subject(told, specification(CIRCUIT)), cycles=cycles(sign))
    return pictures(what)[stem]


def xy(axes: Axes, label: str) -> tuple[Any, Any]:
    (found,) = [each for each in axes.lines if each.get_label() == label]
    return np.asarray(found.get_xdata(), float), np.asarray(found.get_ydata(), float)


def positive_ground() -> dict[str, Any]:
    told = result()
    told["supply"]["polarity"] = "positive ground"
    return told


def test_the_current_lies_on_the_curve_of_the_figures() -> None:
    page = drawn(COIL)
    rise, apart, amps, joules = page.axes
    t, mean = xy(rise, MEAN_TRACE)
    _, curve = xy(rise, BY_FIGURES)
    np.testing.assert_allclose(curve, 4.0 * (1.0 - np.exp(-t / 2.0)), rtol=1e-9)  # L / R is 2 ms
    np.testing.assert_allclose(mean, curve, rtol=1e-9)  # the cycles are made of the same
    assert np.abs(apart.lines[1].get_ydata()).max() < 1e-6
    assert bars(amps) == [
        pytest.approx((400.0, 3.9, 3.86, 3.94)),
        pytest.approx((1600.0, 3.2, 3.15, 3.25)),
    ]
    assert bars(joules) == [pytest.approx((400.0, 47.5, 46.5, 48.5))]  # the other has no U
    words = said(page)
    for part in ("coil 3.000 ± 0.050 ohm; limits 2.8 to 3.4", "3.900 ± 0.040 A; limits 3 to 4.5",
                 "L 6.25 ± 0.10 mH", "Mean of 150 closings"):  # fmt: skip
        assert part in words


def test_a_coil_whose_figures_do_not_say_all_shows_a_gap() -> None:
    told = result()
    told["coil"]["inductance_h"] *= 1.2
    _, apart, *_ = drawn(COIL, told).axes
    assert np.abs(apart.lines[1].get_ydata()).max() == pytest.approx(265.0, rel=0.05)  # mA


def test_without_an_inductance_the_current_is_drawn_alone() -> None:
    told = result()
    told["coil"] |= {"inductance_h": None, "energy_j": None}
    for row in told["coil"]["by_speed"]:
        row["energy_j"] = row["u_energy_j"] = None
    told["why"]["coil.inductance_h"] = "closed too briefly"
    page = drawn(COIL, told)
    assert len(page.axes) == 2
    assert "Inductance not measured: closed too briefly" in said(page)


def test_drop_line_and_limit() -> None:
    page = drawn(DROP)
    (axes,) = page.axes
    amps, volts = xy(axes, BY_FIGURES)
    assert (volts[1] - volts[0]) / (amps[1] - amps[0]) == pytest.approx(0.025)
    assert np.interp(3.9, amps, volts) == pytest.approx(0.12)
    amps, volts = xy(axes, MEAN_TRACE)
    np.testing.assert_allclose(volts, 0.0225 + 0.025 * amps, atol=5e-4)
    measured, at_stated = bars(axes)
    assert measured == pytest.approx((3.9, 0.12, 0.11, 0.13))
    assert at_stated[:2] == pytest.approx((3.5, 0.11))
    assert [each for each in axes.containers if each.get_label() == AT_STATED]
    words = said(page)
    assert "brought to 3.50 A" in words
    assert "move the probe along them" in words
    assert "shifted" not in words


def test_a_zero_that_is_off_is_said() -> None:
    told = result()
    told["contact"]["drop_v"] = 0.32
    assert "shifted by +200 mV to the drop as it was measured" in said(drawn(DROP, told))


def test_end_and_line_of_the_spark() -> None:
    page = drawn(SPARK)
    (axes,) = page.axes
    assert xy(axes, SPARK_END)[0] == pytest.approx([1.5, 1.5])
    assert xy(axes, BURN_LINE)[1] == pytest.approx([32.5, 32.5])
    t, mean = xy(axes, MEAN_TRACE)
    assert np.interp([1.0, 2.0], t, mean) == pytest.approx([32.5, 12.5])
    low, high = axes.get_ylim()
    assert low < 0.0
    assert 32.5 < high < 200.0
    words = said(page)
    for part in ("1.500 ± 0.020 ms; limit at least 0.8", "20.00 ± 0.50 V above the feed",
                 "7 of 760 openings; lobe 4: 7", "beyond the picture, in the mean to 200 V"):  # fmt: skip
        assert part in words


@pytest.mark.parametrize("stem", [COIL, DROP, SPARK])
def test_positive_ground_is_drawn_the_right_way_up(stem: str) -> None:
    one, other = drawn(stem), drawn(stem, positive_ground(), -1.0)
    for axes, turned in zip(one.axes, other.axes, strict=True):
        for line, again in zip(axes.lines, turned.lines, strict=True):
            drawn_y, again_y = (np.asarray(each.get_ydata(), float) for each in (line, again))
            np.testing.assert_allclose(drawn_y, again_y, atol=1e-12)


def test_towers_where_they_are_known() -> None:
    told = result()
    told["spark"]["by_tower"] = [{"tower": 3, "misses": 7}, {"tower": 1, "misses": 0}]
    words = said(drawn(SPARK, told))
    assert "7 of 760 openings; tower 3: 7" in words
    assert "tower 1" not in words


def test_no_spark_at_all_is_a_picture_too() -> None:
    told = result()
    told["spark"] |= {"duration_s": None, "burn_v": None, "misses": 760}
    told["why"]["spark.duration_s"] = "no opening shows a spark"
    words = said(drawn(SPARK, told))
    assert "no opening shows a spark" in words
    assert "760 of 760 openings" in words


def test_the_reason_where_there_is_no_picture() -> None:
    what = replace(subject(), cycles=None)
    assert {stem: missing(what)[stem] for stem in (COIL, DROP, SPARK)} == dict.fromkeys(
        (COIL, DROP, SPARK), NO_CYCLES
    )
    told = result()
    for table in ("coil", "spark"):
        told[table] = {}
        told["why"][table] = "a dry feed"
    told["contact"]["resistance_ohm"] = None
    told["why"]["contact.resistance_ohm"] = "the current stands still"
    assert set(missing(subject(told)).values()) == {"a dry feed"}


def test_a_trace_for_the_coil_is_not_asked_for_pictures_of_the_timing() -> None:
    told = result()
    told["trace"]["kind"] = "coil"
    assert tuple(pictures(subject(told))) == ("contact", COIL, DROP, SPARK)
    told["dwell"] = {}
    assert missing(subject(told)) == {}


def test_the_same_bytes_for_the_same_input() -> None:
    def content() -> list[bytes]:
        what: Subject = subject(None, specification(CIRCUIT))
        found = pictures(what)
        return [
            write(found[stem], what.title) for stem in (COIL, DROP, SPARK) for write in (svg, png)
        ]

    assert content() == content()
