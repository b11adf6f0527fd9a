"""The specification file: read, refused with file, key and mend, or warned of."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.errors import BadInput
from breakerbench.judge.specification import (
    Specification,
    find_specification,
    library,
    load_specification,
    parse_specification,
)
from breakerbench.judge.writing import to_toml
from judge.contract import LEAST, WHOLE


def parse(text: str | bytes) -> Specification:
    content = text if isinstance(text, bytes) else text.encode()
    return parse_specification(content, "my.toml")


def test_every_key_of_the_contract_is_read() -> None:
    spec = parse(WHOLE)
    assert spec.distributor.lobes == 4
    assert spec.distributor.rotation == "cw"
    assert spec.distributor.firing_order == (1, 2, 4, 3)
    assert spec.distributor.nominal_deg == (0.0, 90.0, 180.0, 270.0)
    assert spec.dwell is not None
    assert (spec.dwell.min_deg, spec.dwell.max_deg, spec.dwell.aim_deg) == (50.0, 58.0, 52.0)
    assert spec.gap is not None
    assert spec.gap.dwell_change_deg_per_mm == -50.0
    assert spec.spacing is not None
    assert spec.spacing.max_interval_error_deg == 1.5
    assert spec.bounce is not None
    assert spec.bounce.none_below_rpm == 1500.0
    assert spec.advance is not None
    assert spec.advance.points == ((250.0, 0.0, 1.0), (600.0, 3.0, 5.0))
    assert spec.advance.falling == ()
    assert spec.vacuum is not None
    assert spec.vacuum.points == ((20.0, 0.0, 1.0),)
    assert spec.coil is not None
    assert spec.coil.resistance_ohm == (2.8, 3.4)
    assert spec.condenser is not None
    assert spec.condenser.min_leakage_megohm == 5.0
    assert spec.spark is not None
    assert spec.spark.gap_mm == 6.0
    assert spec.warnings == ()


def test_the_least_there_can_be() -> None:
    spec = parse(LEAST)
    assert spec.dwell is None
    assert spec.distributor.pitch_deg == 90.0
    assert spec.distributor.grid_deg == (0.0, 90.0, 180.0, 270.0)
    assert spec.distributor.points_sets == 1


@pytest.mark.parametrize("variant", [b"\xef\xbb\xbf" + WHOLE.encode(), WHOLE.replace("\n", "\r\n")])
def test_files_of_other_editors(variant: str | bytes) -> None:
    """A byte-order mark and carriage returns make no difference."""
    assert parse(variant) == parse(WHOLE)


def test_written_and_read_back() -> None:
    spec = parse(WHOLE)
    assert parse(to_toml(spec)) == spec
    odd = replace(spec, distributor=replace(spec.distributor, name='"quoted" \\ é'))
    assert parse(to_toml(odd)) == odd


# --- refused: change in the text, then what the line must name: key, and mend -------------------

WRONG: dict[str, tuple[str, str, str, str]] = {
    # wrong names
    "table misspelt": ("[advance]", "[advanse]", "[advanse]", "did you mean [advance]"),
    "table unknown": ("[advance]", "[xyzzy]", "[xyzzy]", "the tables are distributor"),
    "key misspelt": ("min_deg =", "mindeg =", "[dwell] mindeg", "did you mean min_deg"),
    "key unknown": ("gap_mm =", "shade =", "[spark] shade", "[spark] knows min_"),
    "key of another table": ("aim_deg =", "lobes =", "[dwell] lobes", "in [distributor]"),
    "key outside tables": ("schema = 1", "schema = 1\nlobes = 4", "lobes", "[distributor]"),
    # wrong units by name
    "percent": ("min_deg = 50.0", "min_percent = 60", "[dwell] min_percent", "min_deg = 54"),
    "millimetres of dwell": ("min_deg = 50.0", "min_mm = 50", "[dwell] min_mm", "min_deg"),
    "inches": ("nominal_mm = 0.635", "nominal_in = 0.025", "nominal_in", "nominal_mm = 0.635"),
    "thousandths": ("nominal_mm = 0.635", "nominal_thou = 25", "_thou", "nominal_mm = 0.635"),
    "seconds": ("min_duration_ms = 0.8", "min_duration_s = 8e-4", "_s", "min_duration_ms = 0.8"),
    "ohms": ("min_leakage_megohm = 5.0", "min_leakage_ohm = 5e6", "_ohm", "min_leakage_megohm = 5"),
    "millivolts": ("max_drop_v = 0.2", "max_drop_mv = 200", "max_drop_mv", "max_drop_v = 0.2"),
    "list in another unit": ("capacitance_uf", "capacitance_nf", "_nf", "capacitance_uf"),
    # wrong units by size
    "gap of thousandths": ("= 0.635", "= 25", "[gap] nominal_mm", "write 0.635"),
    "gap of inches": ("= 0.635", "= 0.025", "[gap] nominal_mm", "write 0.635"),
    "dwell of a crankshaft": ("max_deg = 58.0", "max_deg = 116", "[dwell] max_deg", "halved (58)"),
    "dwell of percent": ("max_deg = 58.0", "max_deg = 95", "max_deg", "95 percent would be 85.5"),
    "drop of millivolts": ("max_drop_v = 0.2", "max_drop_v = 200", "max_drop_v", "write 0.2"),
    "condenser of farads": ("[0.18, 0.25]", "[1.8e-7, 2.5e-7]", "capacitance_uf", "write 0.18"),
    "condenser of nanofarads": ("[0.18, 0.25]", "[180, 250]", "capacitance_uf", "write 0.18"),
    "spark of seconds": ("= 0.8", "= 0.0008", "min_duration_ms", "write 0.8"),
    "spark of microseconds": ("= 0.8", "= 800", "min_duration_ms", "write 0.8"),
    "leakage of ohms": ("= 5.0\n[spark]", "= 5e6\n[spark]", "min_leakage_megohm", "write 5"),
    "vacuum of mercury": ("[[20.0,", "[[150.0,", "[vacuum] points", "write 20"),
    "current of milliampere": ("[3.0, 4.5]", "[3000, 4500]", "current_a", "write 3"),
    "wider gap, more dwell": ("= -50.0", "= 50.0", "dwell_change_deg_per_mm", "write minus"),
    "a gap without effect": ("= -50.0", "= 0.0", "dwell_change_deg_per_mm", "write minus"),
    "spacing past the pitch": ("max_error_deg = 1.0", "max_error_deg = 60", "error_deg", "dist"),
    "negative limit": ("max_deg = 0.5", "max_deg = -0.5", "[scatter] max_deg", "above 0"),
    # wrong types
    "number in quotes": ("min_deg = 50.0", 'min_deg = "50"', "min_deg", "without quotes"),
    "number for text": ('source = "invented for this test"', "source = 7", "source", "quotes"),
    "truth for a number": ("min_deg = 50.0", "min_deg = true", "[dwell] min_deg", "one number"),
    "date for a number": ("min_deg = 50.0", "min_deg = 1979-05-27", "[dwell] min_deg", "number"),
    "list for a number": ("min_deg = 50.0", "min_deg = [50]", "[dwell] min_deg", "one number"),
    "number for a list": ("[2.8, 3.4]", "3.0", "[coil] resistance_ohm", "[low, high]"),
    "one number for two": ("[2.8, 3.4]", "[3.0]", "[coil] resistance_ohm", "[low, high]"),
    "row of two": ("[600, 3.0, 5.0]", "[600, 3.0]", "[advance] points", "[rpm, low, high]"),
    "flat rows": ("[[20.0, 0.0, 1.0]]", "[20.0, 0.0, 1.0]", "[vacuum] points", "[kPa, low, high]"),
    "table for a key": ("[dwell]", "[dwell.min_deg]\nx = 1\n[dwell.rest]", "[dwell] rest", "knows"),
    "array of tables": ("[dwell]", "[[dwell]]", "dwell", "write [dwell]"),
    "lobes of halves": ("lobes = 4", "lobes = 4.5", "[distributor] lobes", "decimals"),
    "no lobes": ("lobes = 4", "lobes = 0", "[distributor] lobes", "1 to 12"),
    "lobes past counting": ("lobes = 4", "lobes = " + "9" * 400, "lobes", "52.5"),
    "not a number": ("min_deg = 50.0", "min_deg = nan", "[dwell] min_deg", "leave the key out"),
    "without end": ("min_deg = 50.0", "min_deg = 1e999", "[dwell] min_deg", "leave the key out"),
    "rotation": ('"cw"', '"clockwise"', "[distributor] rotation", '"cw" or "ccw"'),
    "empty source": ('"invented for this test"', '" "', "[distributor] source", "write something"),
    "escape in a name": ('"demonstration', '"\\u001b[31m', "[distributor] name", "take them out"),
    "long name": ("demonstration", "x" * 300, "[distributor] name", "shorten"),
    "three sets": ("points_sets = 1", "points_sets = 3", "points_sets", "1 to 2"),
    # wrong order
    "dwell upside down": ("min_deg = 50.0", "min_deg = 59", "[dwell] min_deg", "exchange"),
    "aim outside": ("aim_deg = 52.0", "aim_deg = 49", "[dwell] aim_deg", "aim inside"),
    "low above high": ("[2.8, 3.4]", "[3.4, 2.8]", "resistance_ohm", "write [2.8, 3.4]"),
    "row upside down": ("3.0, 5.0]", "5.0, 3.0]", "[advance] points", "write [3, 5]"),
    "speeds falling": ("[[250,", "[[700,", "[advance] points", "rising rpm"),
    "speed twice": ("[[250,", "[[600,", "[advance] points", "rising rpm"),
    "cylinder twice": ("[1, 2, 4, 3]", "[1, 2, 4, 4]", "firing_order", "1, 2, 3, 4 once"),
    "cylinder missing": ("[1, 2, 4, 3]", "[1, 2, 3]", "firing_order", "1, 2, 3, 4 once"),
    "cylinder from 0": ("[1, 2, 4, 3]", "[0, 1, 3, 2]", "firing_order", "1 to 24"),
    "angles too few": ("[0, 90, 180, 270]", "[0, 90, 180]", "nominal_deg", "one opening angle"),
    "angles falling": ("[0, 90, 180, 270]", "[0, 180, 90, 270]", "nominal_deg", "rising order"),
    "angle round again": ("[0, 90, 180, 270]", "[0, 90, 180, 360]", "nominal_deg", "less than 360"),
    # missing
    "no schema": ("schema = 1\n", "", "my.toml schema", "schema = 1"),
    "schema of tomorrow": ("schema = 1", "schema = 2", "my.toml schema", "schema = 1"),
    "schema of truth": ("schema = 1", "schema = true", "my.toml schema", "schema = 1"),
    "no lobes at all": ("lobes = 4\n", "", "[distributor] lobes", "lobes = 4"),
    "no name": ('name = "demonstration, four lobes"\n', "", "[distributor] name", "name ="),
    "no source": ('source = "invented for this test"\n', "", "source", "where the figures"),
    # not TOML
    "decimal comma": ("50.0", "50,0", "line 11", "decimal point"),
    "key twice": ("aim_deg = 52.0", "min_deg = 52.0", "line 13", "stands once"),
    "quote left open": ('"cw"', '"cw', "line 5", "quotes"),
}  # fmt: skip


def refusal(text: str | bytes) -> str:
    with pytest.raises(BadInput) as caught:
        parse(text)
    line = str(caught.value)
    assert line.startswith("my.toml")
    assert line.isprintable()
    assert len(line) < 400
    return line


@pytest.mark.parametrize("case", WRONG)
def test_refused_with_key_and_mend(case: str) -> None:
    old, new, key, mend = WRONG[case]
    assert WHOLE.count(old) >= 1, "the case no longer changes anything"
    line = refusal(WHOLE.replace(old, new, 1))
    place, _, rest = line.partition(": ")
    assert key in place or key in rest
    assert mend in rest


def test_table_given_as_a_key() -> None:
    line = refusal("dwell = 52.0\n" + LEAST)
    assert line == "my.toml dwell: is a table; write [dwell] on a line of its own"


def test_distributor_missing() -> None:
    assert "[distributor]" in refusal("schema = 1\n[dwell]\nmin_deg = 50\n")


HOSTILE: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "schema"),
    "not UTF-8": (LEAST.encode() + b"# gr\xf6sse\n", "line 6"),
    "UTF-16": (WHOLE.encode("utf-16"), "UTF-8"),
    "zero bytes": (b"\0" * 1000, "TOML"),
    "an image": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "UTF-8"),
    "large": (b"# " + b"x" * 100_000, "larger than 64 kB"),
    "lists in lists": (b"a=" + b"[" * 3900, "deeply"),
    "tables in tables": (b"a=" + b"{a=" * 1300, "deeply"),
    "dots in one line": (b"a" + b".a" * 30000 + b"=1", "longer than"),
    "dots in many lines": (b"\n".join(b"[b%d%s]" % (n, b".a" * 1990) for n in range(15)), "schema"),
    "digits": (b"a = " + b"9" * 3990 + b"\n" + LEAST.encode(), "no such table"),
    "more digits": (b"a = [" + b",\n".join([b"9" * 3990] * 15) + b"]\n", "schema"),
    "escapes in a key": (b'"\\u001b[31m\\nx" = 1\n' + LEAST.encode(), "?[31m?x"),
    "a long key": (b"k" * 3000 + b" = 1\n" + LEAST.encode(), "..."),
}  # fmt: skip


@pytest.mark.parametrize("case", HOSTILE)
def test_hostile(case: str) -> None:
    content, named = HOSTILE[case]
    assert named in refusal(content)


def test_digits_past_the_interpreters_limit() -> None:
    """A program may lower the limit of digits; the refusal is one of ours all the same."""
    limit = "import sys; sys.set_int_max_str_digits(640); "
    code = (
        "from breakerbench.judge.specification import parse_specification as p\n"
        "from breakerbench.errors import BadInput\n"
        "try: p(b'a = ' + b'9' * 1000, 'my.toml')\n"
        "except BadInput as bad: print(bad)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", limit + code], capture_output=True, text=True, check=True
    )
    assert "thousands of digits" in ran.stdout


# --- warned of ----------------------------------------------------------------------------------

ODD = {
    "degrees of the crankshaft": ("[600, 3.0, 5.0]", "[600, 3.0, 24.0]", "half those of the crank"),
    "speeds of the crankshaft": ("[600, 3.0, 5.0]", "[4000, 3.0, 5.0]", "half those of the crank"),
    "falling alone": ("falling = []", "falling = [[600, 3.0, 24.0]]", "half those of the crank"),
    "vacuum": ("[[20.0, 0.0, 1.0]]", "[[20.0, 0.0, 22.0]]", "[vacuum] reaches 22 deg"),
    "aim high": ("aim_deg = 52.0", "aim_deg = 56.0", "bed in and dwell rises"),
}


@pytest.mark.parametrize("case", ODD)
def test_warned(case: str) -> None:
    old, new, words = ODD[case]
    (warning,) = parse(WHOLE.replace(old, new)).warnings
    assert words in warning


def test_on_the_edge_of_a_warning() -> None:
    edge = WHOLE.replace("[600, 3.0, 5.0]", "[3500, 3.0, 20.0]")
    assert parse(edge).warnings == ()


def test_two_sets_may_fire_twice_as_many_cylinders_as_lobes() -> None:
    order = "[1, 8, 4, 3, 6, 5, 7, 2]"
    text = WHOLE.replace("[1, 2, 4, 3]", order)
    assert "firing_order" in refusal(text)
    spec = parse(text.replace("points_sets = 1", "points_sets = 2"))
    assert spec.distributor.firing_order == (1, 8, 4, 3, 6, 5, 7, 2)


def test_uneven_lobes_have_pitches_of_their_own() -> None:
    """A dwell that fits the wide pitch of an uneven cam is no mistake."""
    text = LEAST.replace("lobes = 4", "lobes = 2\nnominal_deg = [0, 150]")
    assert parse(text + "[dwell]\nmin_deg = 195\nmax_deg = 205\n").dwell is not None
    assert "[dwell] min_deg" in refusal(text + "[dwell]\nmin_deg = 215\n")


# --- finding --------------------------------------------------------------------------------------


def test_library_entries_stand_the_check_and_say_their_source() -> None:
    known = library()
    assert {"four-lobe", "six-lobe", "eight-lobe"} <= set(known)
    for name in known:
        spec = find_specification(name)
        assert spec.warnings == ()
        assert spec.distributor.name.startswith("generic")
        source = spec.distributor.source
        assert "common practice, no source" in source or "from memory" in source
        assert "NAVEDTRA" in source or "TM " in source
        assert parse(to_toml(spec)) == spec


def test_library_figures_from_manuals() -> None:
    """The figures that a manual gives, against the manual (V: read in it)."""
    four, six, eight = (find_specification(f"{n}-lobe") for n in ("four", "six", "eight"))
    assert four.gap is not None
    assert six.gap is not None
    assert eight.gap is not None
    # NAVEDTRA 14273, chapter 2: 0.025 inch with 4 and 6 cylinders, 0.015 inch and 30 deg with 8
    assert four.gap.nominal_mm == six.gap.nominal_mm == pytest.approx(0.025 * 25.4)
    assert eight.gap.nominal_mm == pytest.approx(0.015 * 25.4)
    assert eight.dwell is not None
    assert eight.dwell.min_deg is not None
    assert eight.dwell.max_deg is not None
    assert (eight.dwell.min_deg + eight.dwell.max_deg) / 2.0 == 30.0
    for spec in (four, eight):
        # TM 5-4210-230-14&P-1: lobes 90 or 45 degrees apart within 2
        assert spec.spacing is not None
        assert spec.spacing.max_interval_error_deg == 2.0
    for spec in (four, six, eight):
        # NAVEDTRA 14329, chapter 6: coil minus to ground at most 0.1 V with the points closed
        assert spec.contact is not None
        assert spec.contact.max_drop_v == 0.1
        # TM 9-8000, chapter 15: contacts carry 4 to 5 A
        assert spec.contact.at_current_a == 4.0


def test_found_by_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "mine.toml").write_text(WHOLE, encoding="utf-8")
    (tmp_path / "plain").write_text(LEAST, encoding="utf-8")
    assert find_specification(str(tmp_path / "mine.toml")) == parse(WHOLE)
    monkeypatch.chdir(tmp_path)
    assert find_specification("mine.toml") == parse(WHOLE)
    assert find_specification("plain") == parse(LEAST)
    (tmp_path / "mine.toml").write_text(WHOLE.replace("= 50.0", "= true"), encoding="utf-8")
    with pytest.raises(BadInput, match=r"mine\.toml \[dwell\] min_deg"):
        find_specification("mine.toml")


@pytest.mark.parametrize("name", ["for-lobe", "nope", "", "x" * 5000, "a\0b", "four-lobe.", "é\n"])
def test_not_found_names_what_there_is(name: str) -> None:
    with pytest.raises(BadInput) as caught:
        find_specification(name)
    assert "four-lobe" in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("name", ["no/such.toml", "such.toml", "a\0b.toml", "x" * 5000 + ".toml"])
def test_no_such_file(name: str) -> None:
    with pytest.raises(BadInput):
        find_specification(name)


def test_folders_and_devices(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="folder"):
        load_specification(tmp_path)
    with pytest.raises(BadInput, match="ordinary file"):
        load_specification("/dev/zero")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.toml")
        with pytest.raises(BadInput, match="ordinary file"):
            load_specification(tmp_path / "pipe.toml")


# --- anything at all -----------------------------------------------------------------------------


def reads_or_refuses(content: bytes) -> None:
    try:
        spec = parse_specification(content, "my.toml")
    except BadInput as bad:
        line = str(bad)
        assert line.startswith("my.toml")
        assert line.isprintable()
        assert ";" in line or len(line) > 20
    else:
        assert parse(to_toml(spec)) == spec


@settings(max_examples=500)
@given(st.integers(0, 2**32), st.integers(1, 6))
def test_mutations_of_lines_and_characters(seed: int, changes: int) -> None:
    """Lines dropped, doubled and exchanged, characters changed: read or refused, never a crash."""
    rng = random.Random(seed)
    lines = WHOLE.splitlines()
    for _ in range(changes):
        place = rng.randrange(len(lines))
        match rng.randrange(5):
            case 0:
                lines.pop(place)
            case 1:
                lines.insert(place, rng.choice(lines))
            case 2:
                other = rng.randrange(len(lines))
                lines[place], lines[other] = lines[other], lines[place]
            case 3:
                letter = rng.choice('0123456789.,-+eE[]{}="#_ \tnaif\x00\x1b\u2028é')
                cut = rng.randrange(len(lines[place]) + 1)
                lines[place] = lines[place][:cut] + letter + lines[place][cut + rng.randrange(2) :]
            case _:
                key, _, value = lines[place].partition("=")
                other_value = rng.choice(lines).partition("=")[2]
                lines[place] = f"{key}={other_value}" if value else lines[place]
    reads_or_refuses("\n".join(lines).encode())


@given(st.binary(max_size=200))
def test_any_bytes(content: bytes) -> None:
    reads_or_refuses(content)


VALUES = st.recursive(
    st.one_of(
        st.integers(),
        st.floats(),
        st.booleans(),
        st.sampled_from(['"text"', "1979-05-27", "0x1f", "'50'", "07:32:00"]),
    ),
    lambda inner: st.lists(inner, max_size=4),
    max_leaves=12,
)


def toml_value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(each) for each in value) + "]"
    return str(value)


@settings(max_examples=400)
@given(st.sampled_from([line for line in WHOLE.splitlines() if "=" in line]), VALUES)
def test_any_value_for_any_key(line: str, value: object) -> None:
    key = line.partition("=")[0].strip()
    reads_or_refuses(WHOLE.replace(line, f"{key} = {toml_value(value)}", 1).encode())
