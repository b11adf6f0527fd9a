"""A specification read back as sentences: nothing that it states is left unsaid."""

from __future__ import annotations

import re
from dataclasses import fields, replace

from breakerbench.judge.specification import parse_specification
from breakerbench.judge.tables import TABLES
from breakerbench.papers.sentences import sentences
from judge.contract import LEAST, TWO_SETS, WHOLE

SPEC = parse_specification(TWO_SETS.encode(), "my.toml")
#: Of which a sentence cannot go missing alone: always stated, or empty.
NEEDED = {"name", "lobes", "source", "points_sets"}


def said(text: str) -> list[str]:
    return list(sentences(parse_specification(text.encode(), "my.toml")))


def test_every_key_that_is_stated_is_said() -> None:
    """Taken out, each makes the reading shorter or other."""
    whole = list(sentences(SPEC))
    for name, kind in TABLES.items():
        for each in fields(kind):
            table = getattr(SPEC, name)
            if each.name in NEEDED or getattr(table, each.name) == ():
                continue
            less = replace(SPEC, **{name: replace(table, **{each.name: None})})
            assert list(sentences(less)) != whole, (name, each.name)


def test_the_figures() -> None:
    text = " ".join(said(WHOLE))
    for figure in (
        "between 50 and 58 degrees of the distributor, which is 55.56 to 64.44 percent",
        "set to 52 degrees",
        "0.635 mm, which is 0.025 inch",
        "5 degrees less dwell, one wider by a thousandth of an inch 1.27",
        "1,500 rpm of the distributor, which is 3,000 rpm of the engine",
        "At 600 rpm of the distributor the advance is to lie between 3 and 5 degrees of the "
        "distributor, which is 1,200 rpm of the engine and 6 to 10 degrees of the crankshaft",
        "At a vacuum of 20 kPa (5.906 inHg) the vacuum advance",
        "2.8 to 3.4 ohm",
        "no ballast resistor",
        "0.18 to 0.25 microfarad",
        "1-2-4-3",
        "turns clockwise",
    ):
        assert figure in text
    assert "Not stated" not in text


def test_one_limit_alone() -> None:
    assert "at least 50 degrees" in " ".join(said(LEAST + "[dwell]\nmin_deg = 50"))
    assert "at most 58 degrees" in " ".join(said(LEAST + "[dwell]\nmax_deg = 58"))


def test_two_sets_of_points() -> None:
    text = " ".join(said(TWO_SETS))
    assert "They overlap" in text
    assert "both sets of points together is to lie between 60 and 68 degrees" in text
    eight = TWO_SETS.replace("[1, 2, 4, 3]", "[1, 2, 4, 3, 5, 6, 8, 7]")
    assert "They alternate" in " ".join(said(eight.replace("both_m", "#both_m")))
    untold = " ".join(said(LEAST + "points_sets = 2\n[dwell]\nboth_min_deg = 60"))
    assert "Whether they overlap or alternate is not stated" in untold
    assert "together is to be at least 60 degrees" in untold


def test_what_is_not_stated_is_said() -> None:
    (*_, last) = said(LEAST)
    assert re.match("Not stated, so measured and not judged: dwell, .*, spark", last)


def test_falling() -> None:
    text = WHOLE.replace("falling = []", "falling = [[600, 4.0, 6.5]]")
    assert any("is with falling speed to lie between 4 and 6.5" in each for each in said(text))


def test_one_degree_is_one() -> None:
    text = " ".join(said(WHOLE.replace("max_error_deg = 1.0", "max_error_deg = 1.1")))
    assert "may differ by 1 degree of" in text
    assert "more than 1.1 degrees of" in text
