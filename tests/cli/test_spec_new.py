"""``spec new`` through the real command, its answers from a pipe."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

from breakerbench.cli.main import main
from breakerbench.judge.specification import load_specification
from cli.command import CLEAN, COMMAND, Ran, breakerbench, names, started

#: Name, source, lobes; then sets, rotation, firing order and even lobes as they stand in brackets.
START = ["the red one", "handbook, page 12", "4", "", "", "", ""]
#: The sections after the distributor, in their order.
SECTIONS = (
    *("dwell", "gap", "spacing", "scatter", "bounce", "advance"),
    *("vacuum", "contact", "coil", "condenser", "spark"),
)


def spec_new(answers: list[str], folder: Path, *out: str) -> Ran:
    ran = subprocess.run(
        [COMMAND, "spec", "new", *out],
        cwd=folder,
        env=CLEAN,
        input="".join(f"{answer}\n" for answer in answers).encode("utf-8", "surrogateescape"),
        capture_output=True,
        timeout=60,
        check=False,
    )
    return Ran(ran.returncode, ran.stdout.decode("utf-8"), ran.stderr.decode("utf-8"))


def answered(
    start: list[str] = START, end: tuple[str, ...] = ("yes",), **sections: str
) -> list[str]:
    """All answers: those of the sections parted by ``|``, every other section skipped."""
    found = list(start)
    for section in SECTIONS:
        found += ["yes", *sections[section].split("|")] if section in sections else [""]
    return found + list(end)


def written(answers: list[str], folder: Path) -> dict[str, object]:
    """The file's own content, after the program has accepted it in both ways."""
    ran = spec_new(answers, folder, "mine.toml")
    assert (ran.status, ran.err) == (0, ""), ran.out
    checked = breakerbench("spec", "check", "mine.toml", folder=folder)
    assert checked.status == 0, checked.err
    assert names(folder) == {"mine.toml"}
    return tomllib.loads((folder / "mine.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("mark", ["", "\N{BYTE ORDER MARK}"])
def test_the_least(mark: str, tmp_path: Path) -> None:
    content = written([mark + START[0], *answered()[1:]], tmp_path)
    assert content == {
        "schema": 1,
        "distributor": {
            "name": "the red one",
            "source": "handbook, page 12",
            "lobes": 4,
            "points_sets": 1,
        },
    }


def test_everything(tmp_path: Path) -> None:
    start = ["Prüfling 7", 'its "book"', "4", "1", "cw", "1-2-4-3", "no", "0 90 180 270"]
    answers = answered(
        start,
        dwell="distributor|50|58|52|2",
        gap="mm|0,635|5",
        spacing="1|1.5",
        scatter="0.5",
        bounce="0.5|1500",
        advance="distributor|no|no|distributor|250 0 1|600 3 5||yes|250 0 1|600 4 6||1",
        vacuum="kPa|distributor|no|no|20 0 1|",
        contact="200 mV|0.2 V|3.5",
        coil="12|2.8 to 3.4|20|0 0|3-4,5",
        condenser="0.18; 0.25|5",
        spark="0.8|6",
    )
    content = written(answers, tmp_path)
    assert content == {
        "schema": 1,
        "distributor": {
            "name": "Prüfling 7",
            "source": 'its "book"',
            "lobes": 4,
            "points_sets": 1,
            "rotation": "cw",
            "firing_order": [1, 2, 4, 3],
            "nominal_deg": [0, 90, 180, 270],
        },
        "dwell": {"min_deg": 50, "max_deg": 58, "aim_deg": 52, "max_variation_deg": 2},
        "gap": {"nominal_mm": 0.635, "dwell_change_deg_per_mm": -50},
        "spacing": {"max_error_deg": 1, "max_interval_error_deg": 1.5},
        "scatter": {"max_deg": 0.5},
        "bounce": {"settle_deg": 0.5, "none_below_rpm": 1500},
        "advance": {
            "points": [[250, 0, 1], [600, 3, 5]],
            "falling": [[250, 0, 1], [600, 4, 6]],
            "max_hysteresis_deg": 1,
        },
        "vacuum": {"points": [[20, 0, 1]]},
        "contact": {"max_drop_v": 0.2, "at_current_a": 3.5},
        "coil": {
            "supply_v": 12,
            "resistance_ohm": [2.8, 3.4],
            "at_temperature_c": 20,
            "ballast_ohm": [0, 0],
            "current_a": [3, 4.5],
        },
        "condenser": {"capacitance_uf": [0.18, 0.25], "min_leakage_megohm": 5},
        "spark": {"min_duration_ms": 0.8, "gap_mm": 6},
    }


def test_two_sets_of_points(tmp_path: Path) -> None:
    """Both together are asked for only where there are two sets, and refused where they cannot be."""
    start = ["two", "handbook", "4", "2", "", "1-8-4-3-6-5-7-2", ""]
    content = written(answered(start, dwell="percent|35|40||-|60|36|40"), tmp_path)
    assert content["distributor"]["points_sets"] == 2  # type: ignore[index]
    assert content["dwell"]["both_min_deg"] == pytest.approx(32.4)  # type: ignore[index]
    assert content["dwell"]["both_max_deg"] == pytest.approx(36.0)  # type: ignore[index]
    ran = spec_new(answered(start, dwell="distributor|30|38||2|46|32|38"), tmp_path, "other.toml")
    assert ran.status == 0
    said = " ".join(ran.out.split())
    assert "no less than the 45 deg between alternating openings" in said
    assert "both sets of points together is to lie between 32 and 38 degrees" in said
    assert "They alternate" in said


#: Basis of the degrees, static timing, vacuum, basis of the rpm, then the row of 600 rpm, 3 to 5 deg.
SAME_ROW = {
    "its own": "distributor|no|no|distributor|600 3 5",
    "crankshaft degrees alone": "crankshaft|no|no|distributor|600 6 10",
    "engine rpm alone": "distributor|no|no|engine|1200 3 5",
    "crankshaft and engine": "crankshaft|no|no|engine|1200 6 10",
    "static timing in it": "crankshaft|yes|10|no|engine|1200 16 20",
    "vacuum in it": "distributor|no|yes|7,5|distributor|600 10,5 12,5",
    "both in it": "crankshaft|yes|10|yes|8|engine|1200 24 28",
    "vacuum of its own in the row": "crankshaft|yes|10|yes||engine|1200 24 28 8",
    "give or take": "crankshaft|no|no|engine|1200 8 ±2",
    "short words": "c|n|n|e|1200 rpm; 6; 10 deg",
}


@pytest.mark.parametrize("case", SAME_ROW)
def test_mixed_tables_come_to_the_same_curve(case: str, tmp_path: Path) -> None:
    """600 rpm, 3 to 5 degrees of the distributor, however the book states it."""
    ran = spec_new(answered(advance=f"{SAME_ROW[case]}|||"), tmp_path, "mine.toml")
    assert (ran.status, ran.err) == (0, "")
    spec = load_specification(tmp_path / "mine.toml")
    assert spec.advance is not None
    assert spec.advance.points == ((600.0, 3.0, 5.0),)
    assert (
        "At 600 rpm of the distributor the advance is to lie between 3 and 5 degrees of the "
        "distributor, which is 1,200 rpm of the engine and 6 to 10 degrees of the crankshaft."
    ) in " ".join(ran.out.split())


@pytest.mark.parametrize(
    ("unit", "typed", "kpa"),
    [
        ("kPa", "20", 20.0),
        ("inHg", "10", 33.86389),
        ("mbar", "200", 20.0),
        ("mmHg", "100", 13.33224),
    ],
)
def test_units_of_the_vacuum(unit: str, typed: str, kpa: float, tmp_path: Path) -> None:
    vacuum = f"{unit}|crankshaft|no|yes|4|{typed} 4 8|"
    content = written(answered(vacuum=vacuum), tmp_path)
    assert content["vacuum"] == {"points": [[kpa, 0.0, 2.0]]}


@pytest.mark.parametrize("gap", ["mm|0,635|2", "inches|0.025|0,508", "thousandths|25 thou|0.508"])
def test_units_of_the_gap(gap: str, tmp_path: Path) -> None:
    """0.025 inch is 0.635 mm; 2 degrees in 0.1 mm are 0.508 in a thousandth of an inch."""
    content = written(answered(gap=gap), tmp_path)
    assert content["gap"] == {"nominal_mm": 0.635, "dwell_change_deg_per_mm": -20.0}


@pytest.mark.parametrize(
    "dwell",
    ["distributor|45|54|48,6|0.9", "percent|50|60 %|54|1", "crankshaft|90|108|97,2|1.8"],
)
def test_units_of_the_dwell(dwell: str, tmp_path: Path) -> None:
    content = written(answered(dwell=dwell), tmp_path)
    assert content["dwell"] == {
        "min_deg": 45.0,
        "max_deg": 54.0,
        "aim_deg": 48.6,
        "max_variation_deg": 0.9,
    }


def test_the_aim_in_brackets_lies_low_in_the_band(tmp_path: Path) -> None:
    assert written(answered(dwell="|50|58||"), tmp_path)["dwell"] == {
        "min_deg": 50.0,
        "max_deg": 58.0,
        "aim_deg": 52.0,
    }


#: Wrong answers, in the place of what they are asked again for: what the line says of them.
WRONG: dict[str, tuple[list[str], str, str]] = {
    "no number": (answered(dwell="|fifty|50|58||"), "fifty", "'fifty' is not understood"),
    "thousands": (answered(bounce="|1,500|1500"), "1,500", "write 1500 or 1.5"),
    "thousands with a point": (answered(bounce="|1.500|1500"), "1.500", "write 1500 or 1.5"),
    "dwell upside down": (answered(dwell="|50|49|58||"), "49", "50 is above max_deg 49"),
    "dwell past the pitch": (answered(dwell="|50|116|58||"), "116", "to be halved (58)"),
    "gap of inches": (answered(gap="mm|0.025|0.635|"), "0.025", "write 0.635"),
    "gap of mm": (answered(gap="thou|0.635|25|"), "0.635", "0.635 is 0.01613 mm in the file"),
    "another unit": (answered(contact="200 mV|0.2|"), "200 mV", "'mV' is not understood"),
    "speeds falling": (
        answered(advance="d|n|n|e|1200 6 10|900 3 4|||"),
        "900 3 4",
        "900 does not come after the row before",
    ),
    "row upside down": (
        answered(advance="c|n|n|e|1200 10 6|||"),
        "1200 10 6",
        "low end 5 is above the high end 3",
    ),
    "row of two": (answered(advance="d|n|n|e|1200 6|||"), "1200 6", "three numbers are needed"),
    "basis left open": (answered(advance="|d|n|n|e|||"), "", "this needs an answer"),
    "more dwell": (answered(gap="||-5|5"), "-5", "a wider gap shortens the dwell"),
    "no firing order": (
        [*START[:5], "1-2-4-4", "1243", "", *answered([])],
        "1-2-4-4",
        "name each of 1, 2, 3, 4 once",
    ),
    "no source": (["x", "", "y", *START[2:], *answered([])], "", "this needs an answer"),
    "too many lobes": (["x", "y", "13", *START[2:], *answered([])], "13", "from 1 to 12"),
    "escape": (["\x1b[31m", *START, *answered([])], "", "no letters"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_answer_is_said_and_asked_again(
    case: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """In this process: without a start of the program for each."""
    answers, typed, said = WRONG[case]
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{each}\n" for each in answers)))
    status = main(["spec", "new", str(tmp_path / "mine.toml")])
    ran = Ran(status, *capsys.readouterr())
    assert said in " ".join(ran.out.split())
    assert typed in ran.out
    assert "\x1b" not in ran.out
    assert (ran.status, ran.err) == (0, "")
    load_specification(tmp_path / "mine.toml")


def test_an_answer_that_is_not_utf_8(tmp_path: Path) -> None:
    ran = spec_new(["Pr\udcfcfling", *answered()], tmp_path, "mine.toml")
    assert (ran.status, ran.err) == (0, "")
    assert "in UTF-8" in ran.out
    assert load_specification(tmp_path / "mine.toml").distributor.name == "the red one"


def test_five_wrong_answers_from_a_pipe_end_it(tmp_path: Path) -> None:
    ran = spec_new([*START[:2], *["four"] * 5, "4"], tmp_path, "mine.toml")
    assert "5 answers to 'Lobes of the cam, 1 to 12'" in ran.error
    assert not names(tmp_path)
    assert spec_new([*START[:2], *["four"] * 4, *answered()[2:]], tmp_path, "mine.toml").status == 0


def test_a_question_explains_itself(tmp_path: Path) -> None:
    ran = spec_new([*START[:2], "?", *answered()[2:]], tmp_path, "mine.toml")
    assert ran.status == 0
    assert "Count the corners that open the points" in ran.out


def test_back(tmp_path: Path) -> None:
    """Back over answers and whole sections; what an answer opened goes with it."""
    answers = ["<", "wrong", "<", *START, "yes", "", "50", "<", "51", "<", "<", "<", "<", "no"]
    answers += ["<", "", *answered([])]
    ran = spec_new(answers, tmp_path, "mine.toml")
    assert (ran.status, ran.err) == (0, "")
    assert "This is the first question." in ran.out
    spec = load_specification(tmp_path / "mine.toml")
    assert spec.distributor.name == "the red one"
    assert spec.distributor.nominal_deg is None
    assert spec.dwell is None


def test_back_from_the_end_changes_one_row(tmp_path: Path) -> None:
    vacuum = "kPa|d|n|n|10 0 1|20 2 4|<|20 3 5|"
    content = written(answered(vacuum=vacuum, end=("<", "", "yes")), tmp_path)
    assert content["vacuum"] == {"points": [[10.0, 0.0, 1.0], [20.0, 3.0, 5.0]]}


@pytest.mark.parametrize("row", ["600 3 21", "3600 3 5"])
def test_what_is_odd_is_warned_of_and_needs_a_yes(row: str, tmp_path: Path) -> None:
    """Above 20 degrees or 3,500 rpm, as distributor figures."""
    advance = f"distributor|no|no|distributor|{row}|||"
    ran = spec_new(answered(advance=advance, end=("", "yes")), tmp_path, "mine.toml")
    assert ran.status == 0
    assert "WARNING: [advance] reaches" in ran.out
    assert "this needs an answer" in ran.out  # an empty answer is no yes to a warning
    ran = spec_new(answered(advance="c|n|n|e|6000 20 38|||"), tmp_path, "crank.toml")
    assert ran.status == 0
    assert "WARNING" not in ran.out


def test_not_written_without_a_yes(tmp_path: Path) -> None:
    ran = spec_new(answered(end=("no",)), tmp_path, "mine.toml")
    assert (ran.status, ran.err) == (0, "")
    assert "Nothing was written" in ran.out
    assert not names(tmp_path)


def test_a_file_that_is_there_is_kept_without_a_yes(tmp_path: Path) -> None:
    there = tmp_path / "mine.toml"
    there.write_text("precious")
    ran = spec_new(["", "other.toml", *answered()], tmp_path, "mine.toml")  # Enter is no
    assert ran.status == 0
    assert there.read_text() == "precious"
    assert load_specification(tmp_path / "other.toml").distributor.lobes == 4
    ran = spec_new(["yes", *answered(end=("no",))], tmp_path, "mine.toml")
    assert there.read_text() == "precious"
    ran = spec_new(["yes", *answered()], tmp_path, "mine.toml")
    assert ran.status == 0
    assert load_specification(there).distributor.lobes == 4


def test_the_name_of_the_file_is_asked_for(tmp_path: Path) -> None:
    ran = spec_new(["four-lobe", "", *answered()], tmp_path)
    assert ran.status == 0
    assert "write four-lobe.toml" in ran.out
    assert names(tmp_path) == {"my-distributor.toml"}


@pytest.mark.parametrize(
    ("out", "said"),
    [
        ("four-lobe", "write four-lobe.toml"),  # would be taken for the one in the library
        ("none/mine.toml", "make the folder first"),
        ("folder.toml", "is a folder"),
    ],
)
def test_a_place_that_will_not_do_is_said_before_the_questions(
    out: str, said: str, tmp_path: Path
) -> None:
    (tmp_path / "folder.toml").mkdir()
    ran = spec_new(answered(), tmp_path, out)
    assert said in ran.error
    assert "Name of the distributor" not in ran.out
    assert names(tmp_path) == {"folder.toml"}


def test_the_end_of_the_input_leaves_nothing(tmp_path: Path) -> None:
    """Wherever it comes: after every number of answers."""
    answers = answered(end=())
    for many in range(0, len(answers) + 1, 5):
        ran = spec_new(answers[:many], tmp_path, "mine.toml")
        assert "standard input: ended at the question" in ran.error
        assert not names(tmp_path)


@pytest.mark.parametrize("word", ["?", "<", "x" * 10_000])
def test_an_endless_pipe_ends(word: str, tmp_path: Path) -> None:
    ran = spec_new([word] * 3000, tmp_path, "mine.toml")
    assert "standard input" in ran.error
    assert not names(tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="needs the signals of Unix")
def test_ctrl_c_leaves_nothing(tmp_path: Path) -> None:
    with started(["spec", "new", "mine.toml"], tmp_path, stdin=subprocess.PIPE) as process:
        assert process.stdin is not None
        process.stdin.write("the red one\n")
        process.stdin.flush()
        until = time.monotonic() + 30
        while not names(tmp_path) and time.monotonic() < until:
            time.sleep(0.005)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert (process.returncode, err) == (130, "breakerbench: stopped; no output file was written\n")
    assert not names(tmp_path)
