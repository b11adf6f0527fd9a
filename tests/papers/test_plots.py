"""The pictures, by what stands in them: points, bars, limits, words; nothing cut, nothing covered."""

from __future__ import annotations

import io
from itertools import combinations
from typing import Any
from xml.etree import ElementTree

import matplotlib as mpl
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from PIL import Image

from breakerbench.papers.page import own_style
from breakerbench.papers.plots import pictures, png, svg
from breakerbench.papers.subject import (
    ADVANCE,
    BOUNCE,
    COIL,
    CONTACT,
    DROP,
    DWELL,
    INKS,
    LOBES,
    OF_A_COIL,
    OF_A_RUN,
    PICTURES,
    SPACING,
    SPARK,
    Subject,
    missing,
)
from breakerbench.papers.words import SIMULATED, WORDS, Shown
from papers.pages import band, bars, line, said, texts
from papers.results import CIRCUIT, CURVES, LIMITS, result, specification, subject

CRANKSHAFT = Shown("crankshaft", "crankshaft")


def drawn(what: Subject) -> tuple[Figure, Figure]:
    found = pictures(what)
    return found[DWELL], found[SPACING]


@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_figures_limits_and_aim(factor: float) -> None:
    told = result()
    shown = CRANKSHAFT if factor == 2.0 else Shown()
    dwell, spacing = drawn(subject(told, specification(), shown))
    of_lobes, over_speed = dwell.axes
    assert bars(of_lobes) == [
        pytest.approx((lobe, factor * value, factor * (value - u), factor * (value + u)))
        for lobe, (value, u) in enumerate(
            zip(told["dwell"]["per_lobe_deg"], told["dwell"]["u_per_lobe_deg"], strict=True)
        )
    ]
    assert [each.get_text() for each in of_lobes.get_yticklabels()] == ["1", "2", "3", "4"]
    assert bars(over_speed) == [
        pytest.approx((factor * 400, factor * 53.5, factor * 53.3, factor * 53.7)),
        pytest.approx((factor * 1600, factor * 54.5, factor * 53.9, factor * 55.1)),
    ]
    for axes, along in ((of_lobes, "x"), (over_speed, "y")):
        assert band(axes, along) == pytest.approx((factor * 50, factor * 58))
        assert line(axes, "limit", along) == pytest.approx([factor * 50, factor * 58])
        assert line(axes, "aim", along) == pytest.approx([factor * 52])
    assert line(of_lobes, "mean") == pytest.approx([factor * 54])

    errors, intervals, scatter = spacing.axes
    for axes, key, u, limit in (
        (errors, "error_deg", 0.11, 1.0),
        (intervals, "interval_error_deg", 0.17, 1.5),
    ):
        assert bars(axes) == [
            pytest.approx((lobe, factor * value, factor * (value - u), factor * (value + u)))
            for lobe, value in enumerate(told["spacing"][key])
        ]
        assert band(axes) == pytest.approx((-factor * limit, factor * limit))
    labels = [each.get_text() for each in intervals.get_yticklabels()]
    assert labels == ["1 to 2", "2 to 3", "3 to 4", "4 to 1"]
    assert bars(scatter) == [pytest.approx((0, factor * 0.75, factor * 0.69, factor * 0.81))]
    assert band(scatter) == pytest.approx((0.0, factor * 0.5))
    words = said(dwell) + said(spacing)
    unit = "crank deg" if factor == 2.0 else "deg"
    assert f"mean {factor * 54:.2f} ± {factor * 0.25:.2f} {unit}; limits" in words
    assert f"range {factor * 3.5:.2f} {unit}" in words
    assert ("crank rpm" in words) is (factor == 2.0)
    assert str(shown) in said(dwell)
    assert str(shown) in said(spacing)


def test_the_title_says_what_was_measured_and_how() -> None:
    for page in drawn(subject(None, specification())):
        words = said(page)
        for part in (
            "run.csv", "against of the test", "12.0 s at 250,000 samples/s",
            "angle from encoder and index", "400 to 1,600 rpm", "191 revolutions",
            "expanded uncertainty, 95.45 %", "Tens of kilovolts",
        ):  # fmt: skip
            assert part in words


def test_the_title_of_a_steady_trace_without_an_angle() -> None:
    told = result()
    told["trace"]["reference"] = "none"
    told["speed"] |= {"min_rpm": 599.9, "max_rpm": 600.1}
    told["notes"] = ["lobe 1 is arbitrary"]
    for page in drawn(subject(told)):
        assert "samples/s; no index, no encoder; 600 rpm; 191 revolutions" in said(page)
        assert "The report has 1 note about this trace" in said(page)


@pytest.mark.parametrize("simulated", [True, False])
def test_simulated_data_is_called_simulated_on_every_picture(simulated: bool) -> None:
    told = result()
    told["trace"]["simulated"] = simulated
    for page in drawn(subject(told)):
        assert (SIMULATED in said(page)) is simulated


@pytest.mark.parametrize(
    ("mean", "decision"), [(54.0, "pass"), (61.0, "fail"), (57.9, "undecided")]
)
def test_decisions_in_the_words_and_inks_of_the_tables(mean: float, decision: str) -> None:
    told = result()
    told["dwell"]["mean_deg"] = mean
    page, _ = drawn(subject(told, specification()))
    word, style = WORDS[decision]
    (shown,) = [each for each in texts(page) if each.get_text() == word]
    assert to_hex(shown.get_color()) == INKS[style]
    assert ("To settle dwell: a longer run" in said(page)) is (decision == "undecided")
    assert "variation: pass" in said(page)


def test_what_settles_several_is_said_once() -> None:
    _, page = drawn(subject(undecided(4), specification()))
    words = said(page)
    assert "To settle spacing error and interval error: a longer run" in words
    assert "To settle opening scatter: a longer run: more revolutions." in words
    assert "The report has 2 warnings about this trace" in words


def test_inks_are_dark_enough_and_differ_in_words() -> None:
    """Contrast of 4.5 to 1 on white (WCAG 2.1, 1.4.3), so also in grey print."""

    def linear(part: float) -> float:
        return part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4

    assert {style for _, style in WORDS.values()} == set(INKS)
    for ink in INKS.values():
        red, green, blue = map(linear, mpl.colors.to_rgb(ink))
        luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        assert 1.05 / (luminance + 0.05) >= 4.5


def test_without_limits_nothing_is_shaded_and_it_says_so() -> None:
    for spec, reason in (
        (None, "no specification"),
        (specification("[gap]\nnominal_mm = 0.4"), "no limit stated"),
    ):
        for page in drawn(subject(None, spec)):
            assert "not judged" in said(page)
            assert reason in said(page)
            for axes in page.axes:
                assert not [each for each in axes.patches if each.get_label()[0] != "_"]
                assert bars(axes)


def test_one_sided_limits_are_shaded_to_the_end_of_the_axis() -> None:
    page, _ = drawn(subject(None, specification("[dwell]\nmin_deg = 50.0")))
    for axes, along in zip(page.axes, "xy", strict=True):
        end = (axes.get_xlim() if along == "x" else axes.get_ylim())[1]
        assert band(axes, along) == pytest.approx((50.0, end))
        assert line(axes, "limit", along) == [50.0]


def test_another_cam_is_not_held_against_the_limits() -> None:
    told = result()
    reason = "the trace shows 4 lobes, the specification says 6"
    told["why"]["decisions"] = reason
    spec = specification("[dwell]\nmin_deg = 30.0\naim_deg = 35.0", lobes=6)
    page, _ = drawn(Subject("run.csv", told, spec, Shown()))
    assert f"mean 54.00 ± 0.25 deg; {reason}" in said(page)
    assert not line(page.axes[0], "aim")
    assert not line(page.axes[1], "aim", "y")


# --- what was not measured ----------------------------------------------------------------------


def nothing(told: dict[str, Any], table: str, reason: str) -> None:
    told[table] = {k: [] if isinstance(v, list) else None for k, v in told[table].items()}
    told["why"][table] = reason


@pytest.mark.parametrize("spec", [None, specification()], ids=["no limits", "limits"])
def test_the_reason_stands_in_the_place_of_a_figure(spec: Any) -> None:
    told = result()
    nothing(told, "spacing", "the reason is 1")
    page = pictures(subject(told, spec))[SPACING]
    assert "the reason is 1" in said(page)
    assert "not measured" in said(page)
    assert len([axes for axes in page.axes if bars(axes)]) == 1  # the scatter
    told = result()
    told["dwell"]["by_speed"] = []
    page = pictures(subject(told, spec))[DWELL]
    assert "fewer than ten revolutions" in said(page)
    assert [bool(bars(axes)) for axes in page.axes] == [True, False]


def test_what_was_not_measured_is_not_drawn_and_has_its_reason() -> None:
    what = subject(None, specification())
    assert missing(what) == {}
    assert tuple(pictures(what)) == (*OF_A_RUN, *OF_A_COIL)
    told = result()
    for table in ("dwell", "spacing", "scatter", "advance", "bounce", "contact", "coil", "spark"):
        nothing(told, table, f"no {table}, 400 rpm only")
    told["why"]["advance.rising"] = "goes before the table\x1b[2J"
    what = Subject("run.csv", told, None, Shown())
    assert pictures(what) == {}
    assert missing(what) == {
        DWELL: "no dwell, 400 rpm only",
        LOBES: "no dwell, 400 rpm only",
        SPACING: "no spacing, 400 rpm only",
        ADVANCE: "goes before the table\\x1b[2J",
        BOUNCE: "no bounce, 400 rpm only",
        CONTACT: "no opening with the samples about it",
        COIL: "no coil, 400 rpm only",
        DROP: "no coil, 400 rpm only",
        SPARK: "no spark, 400 rpm only",
    }


def test_lobes_over_speed_need_two_speeds_and_two_lobes() -> None:
    told = result()
    told["dwell"]["by_speed"] = told["dwell"]["by_speed"][:1]
    assert missing(subject(told)) == {LOBES: "one speed only; each lobe's dwell at it is in dwell"}
    assert set(missing(subject(result(1)))) == {LOBES}
    for row in (told := result())["dwell"]["by_speed"]:  # an encoder alone, no specification
        row["per_lobe_deg"], row["u_per_lobe_deg"] = [], []
    told["why"]["dwell.per_lobe_deg"] = "no index"
    assert missing(subject(told)) == {LOBES: "no index"}


def test_a_lobe_that_was_not_measured() -> None:
    told = result()
    for key in ("per_lobe_deg", "u_per_lobe_deg"):
        told["dwell"][key][1] = None
    told["why"]["dwell.per_lobe_deg"] = "leaves no sign"
    page, _ = drawn(subject(told))
    assert [place for place, *_ in bars(page.axes[0])] == [0, 2, 3]
    assert said(page).count("not measured") == 2  # in its row, and below with the reason
    assert "Dwell of a lobe not measured: leaves no sign." in said(page)


def test_an_unknown_uncertainty_has_no_bar_and_another_mark() -> None:
    told = result()
    told["spacing"]["u_deg"] = None
    _, page = drawn(subject(told))
    errors = page.axes[0]
    assert bars(errors) == []
    (points,) = [each for each in errors.lines if each.get_label()[0] != "_"]
    assert list(points.get_xdata()) == pytest.approx(told["spacing"]["error_deg"])
    assert "measured, uncertainty not known" in said(page)


def test_without_an_angle_the_share_of_the_pitch_is_drawn() -> None:
    told = result()
    percent = told["dwell"]["percent"]
    nothing(told, "dwell", "no index or encoder channel")
    told["dwell"] |= {"percent": percent, "u_percent": 0.3}
    page, _ = drawn(subject(told, specification()))
    axes = page.axes[0]
    assert bars(axes) == [pytest.approx((0, 60.0, 59.7, 60.3))]
    assert band(axes) == pytest.approx((50 / 0.9, 58 / 0.9))  # of a pitch of 90 deg
    assert line(axes, "aim") == pytest.approx([52 / 0.9])
    assert "60.00 ± 0.30 %" in said(page)
    assert "Dwell of each lobe: not measured, no index" in said(page)


def test_one_speed_has_no_variation_and_says_why() -> None:
    told = result()
    told["dwell"] |= {"by_speed": told["dwell"]["by_speed"][:1], "variation_deg": None}
    told["why"]["dwell.variation_deg"] = "needs two speeds"
    page, _ = drawn(subject(told))
    assert len(bars(page.axes[1])) == 1
    assert "variation: not measured" in said(page)
    assert "needs two speeds" in said(page)


# --- nothing cut, nothing covered ---------------------------------------------------------------

LONG = "W" * 190
STRANGE = "50 $% of_the^ {ones} \\\\frac x \u5b57 \U0001f527 & <b>"
REASON = "a reason that goes on and on and on, as reasons do, " * 6


def undecided(lobes: int) -> dict[str, Any]:
    """Every decision too close to call, with warnings: the most that there is to say."""
    told = result(lobes)
    told["trace"]["simulated"] = True
    told["warnings"] = ["one", "two"]
    told["dwell"] |= {"mean_deg": 57.99, "variation_deg": 1.99}
    told["spacing"]["error_deg"][0], told["spacing"]["interval_error_deg"][0] = -1.01, -1.49
    told["scatter"]["deg"] = 0.501
    told["contact"] |= {"drop_v": 0.205, "u_drop_v": 0.06}
    told["coil"] |= {"resistance_ohm": 2.81, "resistance_20c_ohm": None, "current_a": 4.49}
    told["spark"] |= {"duration_s": 0.801e-3, "misses": 250}
    told["spark"]["by_tower"] = [{"tower": k + 1, "misses": 99} for k in range(lobes)]
    return told


def speechless(lobes: int) -> dict[str, Any]:
    """Half of each page there is, and of the rest there are only reasons."""
    told = result(lobes)
    for key in ("per_lobe_deg", "u_per_lobe_deg", "by_speed"):
        told["dwell"][key] = []
    told["why"]["dwell"] = REASON
    nothing(told, "spacing", REASON)
    told["advance"] |= {
        "falling": [], "start_rpm": None, "hysteresis_deg": None, "u_hysteresis_deg": None,
    }  # fmt: skip
    told["why"] |= dict.fromkeys(
        ("advance.falling", "advance.start_rpm", "advance.hysteresis_deg"), REASON
    )
    told["coil"] |= {
        "resistance_ohm": None, "resistance_20c_ohm": None, "inductance_h": None, "by_speed": [],
        "loop_ohm": None, "standing_a": None,
    }  # fmt: skip
    told["contact"] |= {"drop_v": None, "u_drop_v": None, "spread_v": None}
    told["spark"] |= {"duration_s": None, "burn_v": None, "misses": 7}
    told["why"] |= dict.fromkeys(
        (
            "coil.resistance_20c_ohm", "coil.resistance_ohm", "coil.inductance_h", "coil.by_speed",
            "contact.drop_v", "contact.spread_v", "spark.duration_s", "spark.burn_v",
        ),
        REASON,
    )  # fmt: skip
    told["bounce"] |= {"onset_rpm": None, "by_speed": told["bounce"]["by_speed"][:1]}
    told["why"]["bounce.onset_rpm"] = REASON
    return told


def large(lobes: int) -> dict[str, Any]:
    """Figures with as many digits as there are, uncertainties next to nothing."""
    told = result(lobes)
    told["dwell"] |= {
        "mean_deg": 208.123456, "u_deg": 0.00012,
        "per_lobe_deg": [208.123456] * lobes, "u_per_lobe_deg": [0.00012] * lobes,
    }  # fmt: skip
    told["spacing"] |= {"u_deg": 0.00013, "u_interval_deg": 0.00013}
    told["scatter"] |= {"u_deg": 0.00014}
    for table, key in (("coil", "loop_ohm"), ("coil", "current_a"), ("contact", "drop_v")):
        told[table] |= {key: 123.456789, f"u_{key}": 0.00012}
    told["spark"] |= {"misses": 1_234_567, "openings": 7_654_321}
    return told


@pytest.mark.parametrize(
    ("lobes", "title"), [(1, STRANGE), (8, LONG), (12, STRANGE)], ids=["1", "8", "12"]
)
@pytest.mark.parametrize("told", [result, undecided, speechless, large])
def test_every_text_is_on_the_page_and_covers_no_other(told: Any, lobes: int, title: str) -> None:
    spec = specification(
        LIMITS + CURVES + CIRCUIT, 4, LONG if title == STRANGE else STRANGE
    )  # the limits of four for all: the layout is looked at
    found = pictures(subject(told(lobes), spec, CRANKSHAFT, title))
    wanted = len(OF_A_RUN) + len(OF_A_COIL) - (lobes == 1 or told is speechless)
    assert len(found) == wanted
    for page in found.values():
        with own_style():
            page.draw_without_rendering()
            boxes = [(each.get_text(), each.get_window_extent()) for each in texts(page)]
            width, height = page.bbox.width, page.bbox.height
        assert (width, height) == (1280, 800)
        for text, box in boxes:
            inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height
            assert inside, (page.texts[0].get_text(), text, box)
        for (one, first), (other, second) in combinations(boxes, 2):
            wide = min(first.x1, second.x1) - max(first.x0, second.x0)
            high = min(first.y1, second.y1) - max(first.y0, second.y0)
            assert wide < 1 or high < 3, (one, other, wide, high)  # descenders may touch
        sizes = [each.get_fontsize() for each in texts(page)]
        assert min(sizes) >= 11


def test_a_png_twice_as_fine_as_the_screen_in_our_own_style(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told = subject(None, specification(), title="a\x1b[2Jb.csv")
    plain = png(drawn(told)[0], told.title)
    monkeypatch.setitem(mpl.rcParams, "font.size", 30.0)
    monkeypatch.setitem(mpl.rcParams, "figure.facecolor", "black")
    monkeypatch.setitem(mpl.rcParams, "savefig.dpi", 20)
    assert png(drawn(told)[0], told.title) == plain
    image = Image.open(io.BytesIO(plain))
    assert image.size == (2560, 1600)
    assert image.convert("L").getpixel((5, 5)) == 255  # a light ground
    assert image.info["Title"] == "a\\x1b[2Jb.csv"
    strange = subject(title=STRANGE)
    image = Image.open(io.BytesIO(png(drawn(strange)[0], strange.title)))
    assert image.info["Title"] == STRANGE


def test_an_svg_is_the_same_bytes_for_the_same_figures_and_says_them() -> None:
    what = subject(None, specification(LIMITS + CURVES), title="a -- <b> \x1b[2J.csv")
    first = {stem: svg(page, what.title) for stem, page in pictures(what).items()}
    again = pictures(what)
    for stem in (ADVANCE, CONTACT):
        assert svg(again[stem], what.title) == first[stem]
    told = result()
    told["advance"]["max_deg"] = 10.26
    other = subject(told, specification(LIMITS + CURVES), title=what.title)
    assert svg(pictures(other)[ADVANCE], what.title) != first[ADVANCE]
    for stem, content in first.items():
        root = ElementTree.fromstring(content)
        assert root.tag.endswith("svg")
        text = content.decode()
        assert "<text" not in text  # as outlines: no font is needed where it is opened
        assert "dc:date" not in text
        assert PICTURES[stem] in text
    assert "10.250 ± 0.080 deg" in first[ADVANCE].decode()
