"""What people type, read as figures; and a whole talk from random figures to the file and back."""

from __future__ import annotations

import io
import sys
import tempfile
from argparse import Namespace
from collections.abc import Callable
from contextlib import redirect_stdout, suppress
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.cli.answers import choice, firing_order, numbers, one, yes_no
from breakerbench.cli.spec_new import run
from breakerbench.judge.specification import load_specification
from breakerbench.judge.values import UnfitError
from breakerbench.tools.convert import KPA, MM, SHAFTS


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("600 3 5", [600, 3, 5]),
        ("600; 3; 5", [600, 3, 5]),
        ("600, 3, 5", [600, 3, 5]),
        ("600 3,5 5,25", [600, 3.5, 5.25]),
        ("600 3-5", [600, 3, 5]),
        ("600 3 - 5", [600, 3, 5]),
        ("600 3 to 5", [600, 3, 5]),
        ("3to5", [3, 5]),
        ("600 -1 1", [600, -1, 1]),
        ("600 \N{MINUS SIGN}1 1", [600, -1, 1]),
        ("600 3\N{EN DASH}5", [600, 3, 5]),
        ("600 4 ±1", [600, 3, 5]),
        ("600 4 +/- 1", [600, 3, 5]),
        ("600 4,1+-0,3", [600, 3.8, 4.4]),
        (".5 ,5 5.", [0.5, 0.5, 5]),
        ("0,635", [0.635]),
        ("1234,567", [1234.567]),
        ("", []),
    ],
)
def test_numbers(text: str, found: list[float]) -> None:
    assert numbers(text) == found


@pytest.mark.parametrize(
    "text",
    ["1,200", "12,500", "-1,200", "1,2,3", "1.2.3", "1.200,5", "2.8,3.4", "1e3", "nan", "inf", "0x10",
     "five", "5 mm", "1/2", "mm", "--5", "±1", "4±", "4±1±2", "٣"],
)  # fmt: skip
def test_what_may_mean_something_else_is_refused(text: str) -> None:
    with pytest.raises(UnfitError):
        numbers(text, "deg")


def test_units() -> None:
    assert one("0.635 mm", "mm") == one("0.635MM", "mm") == 0.635
    assert one('0.025"', 'in "') == 0.025
    assert one("60%", "% percent") == 60.0
    with pytest.raises(UnfitError):
        one("0.635 in", "mm")


def test_a_speed_with_a_point_of_thousands() -> None:
    assert numbers("1.200 3 5", speeds=0) == [1.2, 3, 5]
    with pytest.raises(UnfitError, match="two ways"):
        numbers("1.200 3 5", speeds=1)
    assert numbers("600 1.125 5", speeds=1) == [600, 1.125, 5]


@given(
    st.lists(st.floats(-1e4, 1e4).map(lambda x: round(x, 4)), min_size=1, max_size=6), st.booleans()
)
def test_any_numbers(values: list[float], comma: bool) -> None:
    text = " ".join(f"{value:.4f}" for value in values)
    assert numbers(text.replace(".", ",") if comma else text) == values


@given(st.text())
def test_any_text(text: str) -> None:
    """Figures or a refusal, never a crash."""
    readers: tuple[Callable[[str], object], ...] = (numbers, one, firing_order, yes_no)
    for read in readers:
        with suppress(UnfitError):
            read(text)


def test_firing_order() -> None:
    for text in ("1-3-4-2", "1 3 4 2", "1,3,4,2", "1, 3, 4, 2", "1342", "1 - 3 - 4 - 2"):
        assert firing_order(text) == [1, 3, 4, 2]
    assert firing_order("1-10-2-9") == [1, 10, 2, 9]


def test_choice() -> None:
    words = {"kPa": "kPa", "mbar": "mbar", "mmHg": "mmHg"}
    assert choice("KPA", words) == choice("k", words) == "kPa"
    for text in ("m", "", "psi"):
        with pytest.raises(UnfitError):
            choice(text, words)


@st.composite
def bands(draw: st.DrawFn, most: int) -> list[tuple[float, float, float]]:
    """Rows in the file's units, with few decimals as books have them."""
    xs = sorted(draw(st.sets(st.integers(1, most), min_size=1, max_size=8)))
    deg = st.integers(-50, 300).map(lambda tenths: tenths / 10.0)
    return [(float(x), *sorted((draw(deg), draw(deg)))) for x in xs]


@settings(max_examples=60)
@given(
    points=bands(5000),
    vacuum=bands(100),
    shaft=st.sampled_from(["distributor", "crankshaft"]),
    speed=st.sampled_from(["distributor", "engine"]),
    unit=st.sampled_from(sorted(KPA)),
    length=st.sampled_from(sorted(MM)),
    static=st.integers(-20, 20) | st.none(),
    also=st.integers(0, 20) | st.none(),
    gap=st.floats(0.2, 1.9),
    comma=st.booleans(),
)
def test_from_answers_to_the_file_and_back(
    points: list[tuple[float, float, float]],
    vacuum: list[tuple[float, float, float]],
    shaft: str,
    speed: str,
    unit: str,
    length: str,
    static: int | None,
    also: int | None,
    gap: float,
    comma: bool,
) -> None:
    """A book that states known figures in its own way: the file holds the known figures.

    The book's figures are made here by multiplying and adding, the other way round.
    """

    def typed(value: float) -> str:
        text = f"{value:.9f}"
        return text.replace(".", ",") if comma else text

    def row(at: float, low: float, high: float) -> str:
        more = (static or 0) + (also or 0)
        return " ".join(map(typed, (at, low * SHAFTS[shaft] + more, high * SHAFTS[shaft] + more)))

    def already() -> list[str]:
        found = []
        for value in (static, also):
            found += ["no"] if value is None else ["yes", str(value)]
        return found

    answers = ["name", "source", "6", "", "", "", "", "no"]
    answers += ["yes", length, typed(gap / MM[length]), "", "no", "no", "no"]
    answers += ["yes", shaft, *already(), speed]
    answers += [row(at * SHAFTS[speed], low, high) for at, low, high in points]
    answers += ["", "no", "", "yes", unit, shaft, *already()]
    answers += [row(at / KPA[unit], low, high) for at, low, high in vacuum]
    answers += ["", "no", "no", "no", "no", "yes"]
    with (
        tempfile.TemporaryDirectory() as folder,
        patch.object(sys, "stdin", io.StringIO("".join(f"{answer}\n" for answer in answers))),
        redirect_stdout(io.StringIO()),
    ):
        out = Path(folder) / "mine.toml"
        assert run(Namespace(out=str(out))) == 0
        spec = load_specification(out)
    assert spec.gap is not None
    assert spec.gap.nominal_mm == pytest.approx(gap, abs=1e-7)
    assert spec.advance is not None
    assert spec.advance.points is not None
    assert [*spec.advance.points] == [pytest.approx(each, abs=1e-7) for each in points]
    assert spec.vacuum is not None
    assert spec.vacuum.points is not None
    assert [*spec.vacuum.points] == [pytest.approx(each, abs=1e-7) for each in vacuum]
