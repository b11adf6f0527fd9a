"""The picture of a coil's circuit, by what stands in it; nothing cut, nothing covered."""

from __future__ import annotations

from itertools import combinations

import pytest
from matplotlib.colors import to_hex

from breakerbench.papers.coil_plan import coil_plan
from breakerbench.papers.coil_words import band, what_was_told
from breakerbench.papers.page import own_style
from breakerbench.papers.subject import INKS
from breakerbench.papers.words import Shown
from breakerbench.tools.ignition_figures import Band
from breakerbench.tools.ignition_plan import Told, plan
from breakerbench.tools.ignition_words import TITLES
from papers.pages import said, texts

CRANKSHAFT = Shown("crankshaft", "crankshaft")
ALL_TOLD = Told(
    12.37, 1.512, coil_c=63.2, resistors=(1.5, 1.51, 0.82), inductance_h=4.12e-3, dwell_share=0.6123,
    lobes=12, turns_ratio=97.5, condenser_f=0.2234e-6, secondary_f=71e-12, warm_c=83.0,
    standing_a=2.345, feed_v=4.321, points_v=0.2345, marked="12v-resistor",
)  # fmt: skip
CASES = {
    "right": Told(12.0, 3.0),
    "undecided": Told(12.0, 1.5),
    "too-close": Told(12.0, 2.4),
    "too-many-resistors": Told(12.4, 1.5, resistors=(1.5,), standing_a=2.6),
    "ballast-missing": Told(12.4, 1.5, resistors=(1.5,), standing_a=7.4),
    "ballast-not-needed": Told(12.4, 3.0, resistors=(1.5,), standing_a=1.8),
    "coil-ohms-too-low": Told(12.0, 0.3),
    "coil-ohms-too-high": Told(6.0, 3.0),
    "figures-do-not-fit": Told(12.0, 3.0, standing_a=9.0),
    "lower-voltage-coil": Told(24.0, 3.0, marked="6v"),
    "resistor-too-small": Told(12.0, 1.3, resistors=(0.75,)),
}


@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_the_bands_are_those_of_the_plan(factor: float) -> None:
    made = plan(CASES["right"])
    page = coil_plan(made, CRANKSHAFT if factor == 2.0 else Shown())
    for axes, name, scale in zip(page.axes, ("current_a", "secondary_v"), (1.0, 1e-3), strict=True):
        for label, end in (("highest", "high"), ("lowest", "low")):
            (line,) = [each for each in axes.lines if each.get_label() == label]
            assert line.get_xdata() == pytest.approx([factor * row.rpm for row in made.curve])
            expected = [scale * getattr(getattr(row, name), end) for row in made.curve]
            assert line.get_ydata() == pytest.approx(expected)
            assert max(expected) < axes.get_ylim()[1]
        assert axes.get_ylim()[0] == 0.0
    words = said(page)
    assert ("speed, crank rpm" in words) is (factor == 2.0)
    for part in (
        "contacts take 4 to 5 A, TM 9-8000",
        "20 kV, a coil in order",
        "Tens of kilovolts",
    ):
        assert part in words


def test_it_says_what_it_is_from() -> None:
    assert "nothing was measured here" in said(coil_plan(plan(CASES["right"]), Shown()))
    words = said(coil_plan(plan(ALL_TOLD), Shown()))
    assert "a measurement at rest among it" in words
    assert "specification" not in words


@pytest.mark.parametrize("key", CASES)
@pytest.mark.parametrize("shown", [Shown(), CRANKSHAFT], ids=["distributor", "crankshaft"])
def test_every_text_is_on_the_page_and_covers_no_other(key: str, shown: Shown) -> None:
    made = plan(CASES[key])
    assert made.verdict.key == key
    _laid_out(coil_plan(made, shown), TITLES[key])


def test_with_all_told_nothing_is_covered_either() -> None:
    made = plan(ALL_TOLD)
    _laid_out(coil_plan(made, CRANKSHAFT), TITLES[made.verdict.key])


def _laid_out(page, title: str) -> None:
    with own_style():
        page.draw_without_rendering()
        boxes = [(each.get_text(), each.get_window_extent()) for each in texts(page)]
    assert f"Verdict: {title}" in said(page)
    for text, box in boxes:
        inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= 1280 and box.y1 <= 800
        assert inside, (text, box)
    for (one, first), (other, second) in combinations(boxes, 2):
        wide = min(first.x1, second.x1) - max(first.x0, second.x0)
        high = min(first.y1, second.y1) - max(first.y0, second.y0)
        assert wide < 1 or high < 3, (one, other, wide, high)
    assert min(each.get_fontsize() for each in texts(page)) >= 11


def test_inks_of_the_verdict() -> None:
    for key, style in (
        ("right", "green"),
        ("undecided", "yellow"),
        ("too-many-resistors", "bold red"),
    ):
        page = coil_plan(plan(CASES[key]), Shown())
        (shown,) = [each for each in texts(page) if each.get_text().startswith("Verdict")]
        assert to_hex(shown.get_color()) == INKS[style]


def test_everything_told_is_said() -> None:
    text = what_was_told(ALL_TOLD, CRANKSHAFT)
    for part in (
        "12.37 V", "coil 1.512 ohm at 63.2 deg C", "resistor 1.5 + 1.51 + 0.82 ohm",
        "12 lobes", "dwell 36.7 crank deg (61.2 %)", "4.12 mH primary", "turns 97.5 to 1",
        "condenser 0.2234 µF", "secondary 71 pF", "measured 2.345 A", "feed terminal 4.321 V",
        "points terminal 0.2345 V", "marked 12 V with a resistor",
    ):  # fmt: skip
        assert part in text, part


def test_a_band_of_one_figure_is_said_once() -> None:
    assert band(Band(3.96, 4.04), 1) == "4.0"
    assert band(Band(0.025, 0.0841), 0, 1e3) == "25 to 84"
