"""The picture of a condenser: what stands in it, nothing cut, nothing covered."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from breakerbench.bench.charging import Charging, SimulatedCharging, with_fault
from breakerbench.judge.specification import Specification
from breakerbench.papers.listing import listing
from breakerbench.papers.page import own_style
from breakerbench.papers.plots import pictures, svg
from breakerbench.papers.subject import CONDENSER, Subject, missing
from breakerbench.papers.words import Shown
from breakerbench.result.condenser import CondenserCheck
from papers.pages import said, texts
from papers.results import specification

LIMITS = "[condenser]\ncapacitance_uf = [0.18, 0.25]\nmin_leakage_megohm = 5.0\n"


def subject(test: Charging, spec: Specification | None = None, title: str = "c.bbr") -> Subject:
    source = SimulatedCharging(test, 4)
    check = CondenserCheck(source.header, spec)
    for event in source:
        check.feed(event)
    return Subject(title, check.finish(), spec, Shown(), charged=check.charged)


def test_charge_residuals_and_hold() -> None:
    what = subject(Charging(), specification(LIMITS))
    found = pictures(what)
    assert tuple(found) == (CONDENSER,)
    assert missing(what) == {}
    above, below, right = found[CONDENSER].axes
    fitted = next(each for each in above.lines if each.get_label() == "fitted exponential")
    x, y = (np.asarray(each, float) for each in fitted.get_data())
    tau_ms = 1e3 * what.get("condenser.tau_s")
    assert x[0] == 0.0
    np.testing.assert_allclose(y[-1], what.get("condenser.test_v"), atol=0.05)
    at_tau = float(np.interp(tau_ms, x, y))
    assert at_tau == pytest.approx((1.0 - np.exp(-1.0)) * y[-1], abs=0.05)
    assert np.abs(np.concatenate([each.get_ydata() for each in below.lines[:5]])).max() < 100.0
    held = next(each for each in right.lines if each.get_label() == "fitted exponential")
    x, y = (np.asarray(each, float) for each in held.get_data())
    assert y[-1] == pytest.approx(y[0] * np.exp(-x[-1] / what.get("condenser.hold_tau_s")))
    words = said(found[CONDENSER])
    for part in ("Capacitance pass", "limits 0.18 to 0.25", "megohm or more", "tested at 12 V"):
        assert part in words


def test_a_figure_of_leakage_is_in_megohms() -> None:
    words = said(pictures(subject(with_fault(Charging(), "condenser-leaky", "slight")))[CONDENSER])
    assert "megohm; no specification" in words
    assert "e+0" not in words


def test_no_picture_of_an_open_condenser_and_why() -> None:
    what = subject(with_fault(Charging(), "condenser-open", "dead"))
    assert pictures(what) == {}
    assert "no condenser" in missing(what)[CONDENSER]
    assert "no condenser" in listing(what)
    assert "bounce" not in listing(what)


def test_the_same_figures_are_the_same_bytes() -> None:
    what = subject(Charging())
    first, again = (svg(pictures(what)[CONDENSER], what.title) for _ in range(2))
    assert first == again


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"hold_s": 0.0, "supply_gain": None, "told_supply_v": None},
        {"told_resistor_ohm": None},
        {"discharge_ohm": 100e3, "rest_s": 0.4, "hold_s": 0.0},
        {"supply_v": 380.0, "range_v": 500.0, "positive_ground": True},
    ],
)
def test_every_text_is_on_the_page_and_covers_no_other(change: dict[str, Any]) -> None:
    long = "a very long name of a recording " * 8
    spec = specification(LIMITS, name=long[:200])
    page = pictures(subject(replace(Charging(), **change), spec, long))[CONDENSER]
    with own_style():
        page.draw_without_rendering()
        boxes = [(each.get_text(), each.get_window_extent()) for each in texts(page)]
        width, height = page.bbox.width, page.bbox.height
    for text, box in boxes:
        inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height
        assert inside, (text, box)
    for (one, first), (other, second) in combinations(boxes, 2):
        wide = min(first.x1, second.x1) - max(first.x0, second.x0)
        high = min(first.y1, second.y1) - max(first.y0, second.y0)
        assert wide < 1 or high < 3, (one, other, wide, high)
