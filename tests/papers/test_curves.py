"""Advance, bounce, each lobe over speed, the contact trace: what stands in the pictures."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from breakerbench.papers.curves import BLUE
from breakerbench.papers.plots import pictures
from breakerbench.papers.subject import (
    ADVANCE,
    BOUNCE,
    CONTACT,
    FALLING,
    INSIDE,
    INSIDE_FALLING,
    LOBES,
    MEAN_TRACE,
    RISING,
    SHARE,
    SINGLE,
    SPREAD,
    Subject,
)
from breakerbench.papers.words import Shown
from papers.pages import band, bars, line, said
from papers.results import CURVES, contact, judged, result, specification, subject

CRANKSHAFT = Shown("crankshaft", "crankshaft")


def page_of(stem: str, **given: Any) -> Figure:
    told, shown = given.pop("told", None), given.pop("shown", None)
    return pictures(subject(told, given.pop("spec", specification(CURVES)), shown))[stem]


def polygon(axes: Axes, label: str) -> list[list[float]]:
    """Corners of a band, as drawn."""
    (found,) = [p for p in axes.patches if isinstance(p, Polygon) and p.get_label() == label]
    return np.asarray(found.get_xy())[:-1].tolist()  # the last one closes it


def upright(axes: Axes) -> list[float]:
    """Places of the lines from bottom to top."""
    return [each.get_xdata()[0] for each in axes.lines if list(each.get_ydata()) == [0, 1]]


# --- advance -------------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_advance_points_and_the_band_by_its_corners(factor: float) -> None:
    page = page_of(ADVANCE, shown=CRANKSHAFT if factor == 2.0 else Shown())
    (axes,) = page.axes
    k = factor
    rising = [(400, 0.0, 0.05), (900, 5.0, 0.1), (1600, 10.0, 0.15)]
    falling = [(1500, 10.1, 0.05), (900, 5.75, 0.1)]
    assert bars(axes) == [
        pytest.approx((k * rpm, k * deg, k * (deg - u), k * (deg + u)))
        for rpm, deg, u in rising + falling
    ]
    assert [each.get_label() for each in axes.containers] == [RISING, FALLING]
    corners = [[400, -0.5], [900, 4], [1600, 9], [1600, 11], [900, 6], [400, 0.5]]
    assert np.asarray(polygon(axes, INSIDE)) == pytest.approx(k * np.asarray(corners))
    corners = [[800, 3], [1500, 9], [1500, 11.5], [800, 7]]
    assert np.asarray(polygon(axes, INSIDE_FALLING)) == pytest.approx(k * np.asarray(corners))
    assert upright(axes) == [pytest.approx(k * 503.0)]
    assert max(polygon(axes, INSIDE)[2][0], k * 1600) <= axes.get_xlim()[1]
    words = said(page)
    unit = "crank " if factor == 2.0 else ""
    assert f"start {k * 503:.0f}" in words
    assert f"largest {'20.50 ± 0.16' if k == 2 else '10.250 ± 0.080'} {unit}deg" in words
    assert f"{k * 0.75:.2f} ± {k * 0.1:.2f} {unit}deg; limit at most {k:g}" in words
    assert "0: weights at rest" in words
    assert f"speed, {unit}rpm" in words
    assert f"advance from rest, {unit}deg" in words


def test_advance_decisions_stand_beside_and_tell_the_speed() -> None:
    told = result()
    told["advance"]["rising"][1]["deg"] = 6.5
    words = said(page_of(ADVANCE, told=told))
    assert "Speed rising FAIL 6.50 ± 0.10 deg; limits 4 to 6; the worst point, at 900 rpm" in words
    assert "Hysteresis pass" in words
    words = said(page_of(ADVANCE, told=told, shown=CRANKSHAFT))
    assert "the worst point, at 1,800 crank rpm" in words


def test_advance_without_a_specification_or_with_that_of_another_cam() -> None:
    for spec, reason in ((None, "no specification"), (specification(), "no limit stated")):
        page = page_of(ADVANCE, spec=spec)
        assert not page.axes[0].patches
        assert f"Speed rising not judged {reason}" in said(page)
    told = result()
    told["why"]["decisions"] = "the trace shows 4 lobes, the specification says 6"
    other = Subject("run.csv", told, specification(CURVES, lobes=6), Shown(), contact())
    assert not pictures(other)[ADVANCE].axes[0].patches


def test_weights_that_do_not_move_are_not_marked_as_moving() -> None:
    told = result()
    for way in ("rising", "falling"):
        for row in told["advance"][way]:
            row["deg"] = 0.0
    told["advance"] |= {"start_rpm": None, "max_deg": 0.02, "hysteresis_deg": 0.0}
    told["why"]["advance.start_rpm"] = "the openings do not move with speed"
    page = page_of(ADVANCE, told=told)
    assert upright(page.axes[0]) == []
    assert "largest 0" not in said(page)
    assert "the openings do not move with speed" in said(page)


def test_rising_and_falling_differ_without_colour() -> None:
    axes = page_of(ADVANCE).axes[0]
    up, down = (each.lines[0] for each in axes.containers)
    assert up.get_marker() != down.get_marker()
    assert up.get_markerfacecolor() != down.get_markerfacecolor()
    styles = [each.get_linestyle() for each in axes.lines if len(each.get_xdata()) in (2, 3)]
    assert {"-", "--"} <= set(styles)
    red, green, blue = to_rgb(BLUE)  # against white, by WCAG 2.1 1.4.11: 3 to 1 at least
    part = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in (red, green, blue)]
    assert 1.05 / (np.dot((0.2126, 0.7152, 0.0722), part) + 0.05) > 3.0


# --- bounce --------------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_settling_limit_onset_and_share(factor: float) -> None:
    k = factor
    page = page_of(BOUNCE, shown=CRANKSHAFT if factor == 2.0 else Shown())
    upper, lower = page.axes
    assert bars(upper) == [pytest.approx((k * 1000, k * 0.3, k * 0.28, k * 0.32))]
    (bare,) = [each for each in upper.lines if each.get_marker() == "X"]  # uncertainty not known
    assert bare.get_xydata()[0] == pytest.approx((k * 1550, k * 0.9))
    assert band(upper, "y") == pytest.approx((0.0, k * 0.6))
    assert line(upper, "limit", "y") == pytest.approx([k * 0.6])
    for axes in (upper, lower):
        assert upright(axes) == [pytest.approx(k * 1500), pytest.approx(k * 1175)]
    (share,) = [each for each in lower.lines if each.get_label() == SHARE]
    assert share.get_xydata().ravel() == pytest.approx(
        [k * 400, 0.0, k * 1000, 25.0, k * 1550, 50.0]
    )
    words = said(page)
    assert "Bounce FAIL" in words
    unit = "crank " if factor == 2.0 else ""
    assert f"none allowed below {k * 1500:,.0f} {unit}rpm" in words
    assert f"bounce from {k * 1175:,.0f} {unit}rpm" in words
    assert f"settle later than {k * 0.6:g} {unit}deg" in words


def test_bounce_without_limits_has_the_usual_one_and_no_line() -> None:
    page = page_of(BOUNCE, spec=None)
    assert line(page.axes[0], "limit", "y") == [0.5]
    assert upright(page.axes[0]) == [1175.0]
    assert "Bounce not judged" in said(page)


def test_no_bounce_is_said() -> None:
    told = result()
    told["bounce"] |= {"onset_rpm": None, "by_speed": told["bounce"]["by_speed"][:1]}
    told["why"]["bounce.onset_rpm"] = "none found up to 400 rpm"
    page = page_of(BOUNCE, told=told)
    assert "no closing bounced" in said(page)
    assert upright(page.axes[0]) == [1500.0]


# --- each lobe -----------------------------------------------------------------------------------


@pytest.mark.parametrize("lobes", [2, 4, 6, 8, 12])
def test_each_lobe_has_a_panel_to_one_scale(lobes: int) -> None:
    told = result(lobes)
    page = page_of(LOBES, told=told, spec=specification())
    assert len(page.axes) == lobes
    for k, axes in enumerate(page.axes):
        assert bars(axes) == [
            pytest.approx((rpm, deg + 0.1 * k, deg - u + 0.09 * k, deg + u + 0.11 * k))
            for rpm, deg, u in ((400, 53.5, 0.2), (1600, 54.5, 0.6))
        ]
        assert band(axes, "y") == (50.0, 58.0)
        assert axes.get_ylim() == page.axes[0].get_ylim()
        assert f"lobe {k + 1}" in said(page)
        (mean,) = [each for each in axes.lines if each.get_label() == "mean"]
        assert list(mean.get_ydata()) == [53.5, 54.5]


# --- the contact ---------------------------------------------------------------------------------


def test_mean_spread_and_single_events_of_the_contact() -> None:
    page = page_of(CONTACT)
    touch, opening = page.axes
    for axes, shape in ((touch, contact().touch), (opening, contact().opening)):
        assert shape is not None
        (mean,) = [each for each in axes.lines if each.get_label() == MEAN_TRACE]
        x, y = mean.get_xdata() / 1e6, mean.get_ydata()
        assert y == pytest.approx(np.interp(x, shape.time_s, shape.mean_v))
        low, high = axes.get_xlim()
        assert (low, high) == pytest.approx((x[0] * 1e6, x[-1] * 1e6), abs=1.0)
        assert len([each for each in axes.lines if each.get_label() == SINGLE]) == 1
        (spread,) = axes.collections
        assert spread.get_label() == SPREAD
        corners = spread.get_paths()[0].vertices[:, 1]
        assert corners.min() >= shape.least_v - 1e-9  # where no sample lies, neither does it
        assert corners.max() <= shape.most_v + 1e-9
        assert "points, V" in axes.get_ylabel()
    assert touch.get_xlim()[1] > 60.0  # the bounce is seen to its end
    words = said(page)
    assert "mean of 150 first touches at about 1,500 rpm; 1 deg lasts 111 µs" in words
    assert "mean of 160 openings" in words
    assert "cuts" not in words


def test_a_ring_is_seen_for_a_swing_and_a_half_and_cut_off_is_said() -> None:
    found = contact((-12.0, 300.0))
    shape = found.opening
    assert shape is not None
    t = shape.time_s
    ring = np.where(t > 0, 400.0 * np.sin(2 * np.pi * t / 300e-6) * np.exp(-t / 900e-6), 0.1)
    ring = np.clip(ring, -12.0, 300.0)
    object.__setattr__(shape, "mean_v", ring)
    object.__setattr__(shape, "least_v", -12.0)
    object.__setattr__(shape, "most_v", 300.0)
    told = judged(result(), None)
    page = pictures(Subject("run.csv", told, None, Shown(), found))[CONTACT]
    assert page.axes[1].get_xlim()[1] == pytest.approx(450.0, rel=0.1)  # 300 us a swing
    assert page.axes[1].get_ylim()[1] > 300.0
    assert page.axes[0].get_ylim()[1] < 15.0  # a scale of its own
    assert "The converter cuts the voltage off at 300 V and -12 V." in said(page)


def test_touches_without_a_sign_leave_their_panel_empty() -> None:
    found = contact()
    object.__setattr__(found, "touch", None)
    object.__setattr__(found, "closed_s", float("nan"))
    told = judged(result(), None)
    told["trace"]["lobes"] = None
    page = pictures(Subject("run.csv", told, None, Shown(), found))[CONTACT]
    assert "First touches leave no sign" in said(page)
    assert "mean of 160 openings" in said(page)
    assert "rpm;" not in said(page).split("mean of 160")[1].split("points")[0]
