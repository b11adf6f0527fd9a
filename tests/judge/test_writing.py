"""A specification written and read back: any that the reader accepts, with remarks."""

from __future__ import annotations

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.judge.specification import MAX_LINE, parse_specification
from breakerbench.judge.tables import TABLES, Advance, Coil, Distributor, Specification, Vacuum
from breakerbench.judge.values import Text
from breakerbench.judge.writing import MEANS, to_toml
from judge.contract import TWO_SETS


def texts(most: int) -> st.SearchStrategy[str]:
    """Any printable text of one line, blanks, quotes and backslashes often among it."""
    letters = st.one_of(st.sampled_from(" \"\\'#"), st.characters(exclude_categories=["C"]))
    return (
        st.text(letters, max_size=most)
        .map(lambda text: " ".join(text.split()))
        .filter(lambda text: bool(text) and text.isprintable())
    )


@st.composite
def curves(draw: st.DrawFn, most_x: float) -> tuple[tuple[float, float, float], ...]:
    xs = draw(st.lists(st.floats(0.0, most_x), max_size=200, unique=True))
    degs = st.floats(-20.0, 60.0)
    return tuple((x, *sorted((draw(degs), draw(degs)))) for x in sorted(xs))


@settings(max_examples=200)
@given(
    texts(200),
    texts(2000),
    curves(10000.0),
    curves(101.0),
    st.floats(0.0, 100.0),
    st.lists(texts(40), max_size=12),
)
def test_reads_back_the_same(
    name: str,
    source: str,
    points: tuple[tuple[float, float, float], ...],
    vacuum: tuple[tuple[float, float, float], ...],
    ohm: float,
    remarks: list[str],
) -> None:
    spec = Specification(
        distributor=Distributor(name=name, lobes=4, source=source),
        advance=Advance(points=points),
        vacuum=Vacuum(points=vacuum),
        coil=Coil(resistance_ohm=(ohm, 100.0)),
    )
    text = to_toml(spec, {"advance": " ".join(remarks)})
    read = parse_specification(text.encode(), "my.toml")
    assert (read.distributor, read.advance) == (spec.distributor, spec.advance)
    assert (read.vacuum, read.coil) == (spec.vacuum, spec.coil)


def test_the_longest_text_of_what_must_be_escaped() -> None:
    """Twice as many signs as letters: still no line that the reader refuses."""
    source = Text(2000)('"' * 2000)
    spec = Specification(distributor=Distributor(name="x", lobes=4, source=source))
    text = to_toml(spec)
    assert max(map(len, text.splitlines())) < MAX_LINE / 10
    assert tomllib.loads(text)["distributor"]["source"] == source


def test_every_key_with_a_unit_says_what_it_means() -> None:
    text = to_toml(parse_specification(TWO_SETS.encode(), "my.toml"), {"gap": "stated as 25 thou"})
    without = {"name", "lobes", "source", "firing_order", "points_sets"}
    for table, keys in tomllib.loads(text).items():
        for key in keys if table != "schema" else ():
            assert (key in without) == (f"{table}.{key}" not in MEANS), key
    assert {key.split(".")[0] for key in MEANS} == set(TABLES)
    for means in MEANS.values():
        assert f"  # {means}\n" in text
    assert "[gap]\n# stated as 25 thou\n" in text
