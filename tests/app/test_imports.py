"""What a person says of an imported file in one line."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.app.imports import NUMBERS, PAIRS, told
from breakerbench.errors import BadInput
from breakerbench.sources.options import ImportOptions


def test_nothing_said() -> None:
    assert told("") == told("  \n ") == {}


def test_all_that_can_be_said() -> None:
    line = (
        "column points_v=CH1 --column 'current_a=my probe' column time_s=t scale points_v=100 "
        "delay points_v=4e-6 encoder-pulses 360 supply-v 12.4 series-ohm 24 temperature-c -3.5 "
        "sample-rate 250000"
    )
    found = told(line)
    assert found == {
        "columns": {"points_v": "CH1", "current_a": "my probe", "time_s": "t"},
        "scales": {"points_v": 100.0},
        "delays": {"points_v": 4e-6},
        "encoder_pulses": 360, "supply_v": 12.4, "series_ohm": 24.0, "temperature_c": -3.5,
        "sample_rate_hz": 250000.0,
    }  # fmt: skip
    assert type(found["encoder_pulses"]) is int
    made = ImportOptions(kind="hand", **found)
    assert made.columns["current_a"] == "my probe"


def test_said_twice_the_last_counts_and_a_value_may_hold_a_sign_of_equality() -> None:
    assert told("scale points_v=1 scale points_v=2")["scales"] == {"points_v": 2.0}
    assert told("column points_v=a=b")["columns"] == {"points_v": "a=b"}


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("points_v=CH1", "points_v=CH1: nothing follows it; write column, scale, delay NAME=VALUE"),
        ("colour points_v=CH1", "colour: a word that says nothing of a file"),
        ("column", "column: nothing follows it"),
        ("column points=CH1", "column points: is no channel with a value; use points_v, "),
        ("column points_v=", "column points_v: is no channel with a value"),
        ("scale points_v=1,5", "scale points_v 1,5: is not a number; use a decimal point"),
        ("supply-v nan", "supply-v nan: is not a number"),
        ("supply-v inf", "supply-v inf: is not a number"),
        ("supply-v 1e999", "supply-v 1e999: is not a number"),
        ("encoder-pulses 360.5", "encoder-pulses 360.5: is no whole number; give pulses"),
        ("column 'points_v=CH1", "is not understood (No closing quotation); close the quotes"),
    ],
)
def test_what_is_wrong_is_said_with_the_mend(line: str, words: str) -> None:
    with pytest.raises(BadInput) as refused:
        told(line)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


PART = st.sampled_from([*PAIRS, *NUMBERS, "points_v=1", "index=2", "time_s=1e-6", "360", "-1", "0"])


@given(st.one_of(st.text(max_size=60), st.lists(PART, max_size=8).map(" ".join)))
def test_any_line_is_taken_or_refused(line: str) -> None:
    """Also by what takes it; nothing else is ever raised."""
    with contextlib.suppress(BadInput):
        ImportOptions(**told(line))
