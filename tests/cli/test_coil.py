"""``coil``: the real command end to end; what it refuses, in one line; JSON and picture."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from PIL import Image

from breakerbench.cli.coil import FILES, LIMITS
from breakerbench.cli.main import main
from breakerbench.tools.ignition_words import TITLES
from cli.command import CLEAN, Ran, breakerbench, names

RIGHT = ("--supply-v", "12", "--coil-ohm", "3.0")
HALF = ("--supply-v", "12", "--coil-ohm", "1.5")


def here(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> Ran:
    """In this process: what follows the parser, without a start of numpy for each."""
    return Ran(main(["coil", *map(str, arguments)]), *capsys.readouterr())


@pytest.fixture(autouse=True)
def _no_signals(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(signal, "signal", lambda *_: None)


def as_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    ran = here(capsys, *arguments, "--json", "-")
    assert (ran.status, ran.err) == (0, "")
    found: dict[str, Any] = json.loads(ran.out)
    return found


def test_the_whole_report(tmp_path: Path) -> None:
    ran = breakerbench("coil", *HALF, "--ballast-ohm", "1.5", "--lobes", "8", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    text = " ".join(ran.out.split())
    for part in (
        "worked out, not measured",
        "12 V, coil 1.5 ohm cold, resistor 1.5 ohm, 8 lobes",
        "current 3.6 to 4.0 A",
        "winding at 20 deg C 1.50 ohm",
        "winding at 70 deg C 1.79 ohm",
        "heat in the feed's resistance 20 to 24 W",
        "Never leave the ignition on",
        "rpm current, A mean, A energy, mJ available, kV",
        "inductance of the primary: 2.25 to 5.25 mH (from memory",
        "TM 9-8000",
        "Caution: Tens of kilovolts",
        "Verdict: right",
        "contacts carry 4.0 A; contacts take 4 to 5 A",
        "Change nothing.",
        "Degrees are distributor degrees, speeds are distributor rpm.",
    ):
        assert part in text, part
    assert max(map(len, ran.out.splitlines())) <= 80
    assert not names(tmp_path)
    # the verdict and what to do come last, where the eye is
    assert ran.out.index("Caution:") < ran.out.index("Verdict:") < ran.out.index("What to do")


@pytest.mark.parametrize(
    ("arguments", "key", "said"),
    [
        (RIGHT, "right", "It needs no resistor"),
        (("--supply-v", "6", "--coil-ohm", "1.5"), "right", "right for 6 V"),
        ((*HALF, "--marked", "6v"), "lower-voltage-coil", "A 6 V coil on 12 V"),
        (
            (*HALF, "--marked", "12v-resistor"),
            "ballast-missing",
            "1.5 ohm, at least 50 W, in the feed",
        ),
        ((*RIGHT, "--ballast-ohm", "1.5"), "ballast-not-needed", "Take the resistor out"),
        (
            (*HALF, "--ballast-ohm", "1.5", "--ballast-ohm", "1.5"),
            "too-many-resistors",
            "take out about 1.5: 1.5 ohm belong there",
        ),
        (HALF, "undecided", "--measured-a"),
        ((*HALF, "--measured-a", "3.9"), "right", "1.4 ohm hide in the feed"),
        ((*HALF, "--measured-a", "7.4"), "undecided", "Read what is marked on the coil"),
        ((*HALF, "--measured-feed-v", "6.2"), "right", "within the 4.5 to 6.9 V"),
        (("--supply-v", "12", "--coil-ohm", "2.4"), "too-close", "ohms again"),
        (("--supply-v", "12", "--coil-ohm", "0.6"), "coil-ohms-too-low", "about 3.0 ohm"),
        (("--supply-v", "12", "--coil-ohm", "8"), "coil-ohms-too-high", "about 3.0 ohm"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_verdicts(
    arguments: tuple[str, ...], key: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = here(capsys, *arguments)
    assert (ran.status, ran.err) == (0, "")
    text = " ".join(ran.out.split())
    assert f"Verdict: {TITLES[key]}" in text
    assert said in text
    assert as_json(capsys, *arguments)["verdict"]["key"] == key


def test_json_by_file_and_by_standard_output(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = as_json(capsys, *RIGHT)
    ran = here(capsys, *RIGHT, "--json", tmp_path / "coil.json")
    assert "Verdict" in ran.out
    assert json.loads((tmp_path / "coil.json").read_text()) == told
    assert set(told) == {
        "schema", "told", "assumed", "circuit", "at_rest", "by_speed", "verdict", "notes",
    }  # fmt: skip
    assert told["schema"] == 1
    assert [row["rpm"] for row in told["by_speed"]] == [300, 500, 1000, 1500, 2000, 2500]
    assert set(told["by_speed"][0]) == {
        "rpm", "sparks_per_s", "current_a", "mean_a", "energy_j", "secondary_v", "primary_v",
        "coil_w", "feed_w", "lost_w",
    }  # fmt: skip
    for band in (told["at_rest"]["current_a"], told["by_speed"][0]["energy_j"]):
        assert set(band) == {"low", "high"}
        assert band["low"] < band["high"]
    assert set(told["verdict"]) == {
        "key", "fits", "sentence", "to_do", "contacts", "current_a", "feed_ohm", "hidden_ohm",
    }  # fmt: skip
    assert all(set(each) == {"what", "band", "unit", "source"} for each in told["assumed"])


def test_the_display_doubles_and_the_json_does_not(capsys: pytest.CaptureFixture[str]) -> None:
    crank = ("--speed-basis", "crankshaft", "--degrees", "crankshaft", "--dwell-deg", "54")
    ran = here(capsys, *RIGHT, *crank)
    assert "crank rpm" in ran.out
    assert "dwell 108 crank deg (60 %)" in " ".join(ran.out.split())
    assert "5,000" in ran.out
    assert "Degrees are crankshaft degrees, speeds are crankshaft rpm." in " ".join(ran.out.split())
    same = as_json(capsys, *RIGHT, "--dwell-percent", "60")
    assert as_json(capsys, *RIGHT, *crank)["by_speed"] == same["by_speed"]


def test_what_is_told_is_taken_and_not_assumed(capsys: pytest.CaptureFixture[str]) -> None:
    told = as_json(
        capsys, *HALF, "--ballast-ohm", "0", "--temperature-c", "70", "--inductance-mh", "4",
        "--turns-ratio", "90", "--condenser-uf", "0.22", "--secondary-pf", "70", "--warm-c", "60",
        "--dwell-percent", "60", "--from-rpm", "400", "--to-rpm", "1200", "--ohm-within", "0.02",
    )  # fmt: skip
    circuit = told["circuit"]
    assert circuit["coil_20c_ohm"] == pytest.approx(1.5 / (1 + 0.00393 * 50))
    for key, value in (
        ("inductance_h", 4e-3), ("turns_ratio", 90), ("condenser_f", 0.22e-6),
        ("secondary_f", 70e-12), ("dwell_share", 0.6),
    ):  # fmt: skip
        assert circuit[key]["low"] == circuit[key]["high"] == pytest.approx(value)
    assert circuit["winding_c"] == {"low": 20.0, "high": 60.0}
    assert [each["what"] for each in told["assumed"]] == ["energy lost before the secondary's peak"]
    assert [told["by_speed"][k]["rpm"] for k in (0, -1)] == [400, 1200]


# --- the picture --------------------------------------------------------------------------------


def test_the_picture(tmp_path: Path) -> None:
    arguments = (
        "coil",
        *HALF,
        "--ballast-ohm",
        "1.5",
        "--plots",
        "new/p",
        "--json",
        "new/p/c.json",
    )
    ran = breakerbench(*arguments, folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    assert "Picture in new/p: coil-by-speed (as SVG and PNG)" in ran.out
    place = tmp_path / "new" / "p"
    assert names(place) == {*FILES, "c.json"}
    svg, png = ((place / each).read_bytes() for each in FILES)
    image = Image.open(io.BytesIO(png))
    image.load()
    assert (image.format, image.size) == ("PNG", (2560, 1600))
    assert ElementTree.fromstring(svg).get("viewBox") == "0 0 921.6 576"
    assert b"Tens of kilovolts" in svg
    (place / "mine.txt").write_text("mine")
    assert breakerbench(*arguments, folder=tmp_path).status == 0
    assert [(place / each).read_bytes() for each in FILES] == [svg, png]
    assert (place / "mine.txt").read_text() == "mine"


def test_places_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("mine")
    assert "is a file, not a folder" in here(capsys, *RIGHT, "--plots", tmp_path / "file").error
    assert "no/c.json" in here(capsys, *RIGHT, "--json", tmp_path / "no" / "c.json").error
    out = ("--plots", tmp_path / "new", "--json", tmp_path / "no" / "c.json")
    assert "no/c.json" in here(capsys, *RIGHT, *out).error
    assert names(tmp_path) == {"file"}


def test_the_pictures_library_is_imported_for_the_picture_alone(tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from breakerbench.cli.main import build_parser, main\n"
        "build_parser('coil').format_help()\n"
        "print('numpy' in sys.modules, 'rich' in sys.modules, file=sys.stderr)\n"
        "assert main(sys.argv[1:]) == 0\n"
        "print('matplotlib' in sys.modules, file=sys.stderr)\n"
    )
    for plots, drawn in (((), "False"), (("--plots", str(tmp_path)), "True")):
        ran = subprocess.run(
            [sys.executable, "-c", code, "coil", *RIGHT, *plots],
            env=CLEAN,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ran.stderr.split() == ["False", "False", drawn]


# --- what it refuses ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--coil-ohm", "3"), "--supply-v"),
        (("--supply-v", "12"), "--coil-ohm"),
        (("--supply-v", "12", "--coil-ohm", "0"), "--coil-ohm 0: is not within 0.05 to 50 ohm"),
        (("--supply-v", "12", "--coil-ohm", "-3"), "--coil-ohm -3: is not within"),
        (("--supply-v", "12", "--coil-ohm", "8500"), "the tall one is the secondary"),
        (("--supply-v", "0", "--coil-ohm", "3"), "--supply-v 0: is not within 1 to 60 V"),
        (("--supply-v", "1e9", "--coil-ohm", "3"), "--supply-v 1e+09"),
        (("--supply-v", "inf", "--coil-ohm", "3"), "'inf' is not a number"),
        (("--supply-v", "12", "--coil-ohm", "three"), "'three' is not a number"),
        ((*RIGHT, "--ballast-ohm", "-1"), "--ballast-ohm -1: is not within 0 to 50 ohm"),
        ((*RIGHT, "--ballast-ohm", "1.5", "--ballast-ohm", "1e6"), "--ballast-ohm 1e+06"),
        ((*RIGHT, "--lobes", "0"), "--lobes 0: is not within 1 to 12 lobes"),
        ((*RIGHT, "--lobes", "4.5"), "not a whole number"),
        ((*RIGHT, "--dwell-deg", "95"), "--dwell-deg 95: is not within the 90 deg"),
        ((*RIGHT, "--lobes", "8", "--dwell-deg", "54"), "half of crankshaft degrees"),
        ((*RIGHT, "--dwell-deg", "0"), "--dwell-deg 0"),
        ((*RIGHT, "--dwell-percent", "100"), "--dwell-percent 100: is not within 1 to 99 %"),
        ((*RIGHT, "--dwell-percent", "60", "--dwell-deg", "54"), "give one of them"),
        ((*RIGHT, "--from-rpm", "900", "--to-rpm", "900"), "is not above --from-rpm 900"),
        ((*RIGHT, "--from-rpm", "0"), "--from-rpm 0"),
        ((*RIGHT, "--to-rpm", "1e7"), "in rpm of the distributor"),
        (
            (*RIGHT, "--temperature-c", "-300"),
            "--temperature-c -300: is not within -40 to 150 deg C",
        ),
        ((*RIGHT, "--inductance-mh", "0"), "--inductance-mh 0"),
        ((*RIGHT, "--measured-a", "0"), "find the break first"),
        ((*RIGHT, "--measured-a", "-4"), "without its sign"),
        ((*RIGHT, "--measured-feed-v", "13.5"), "is more than the supply's 12 V"),
        ((*RIGHT, "--measured-feed-v", "12", "--measured-points-v", "12"), "the points are open"),
        ((*RIGHT, "--measured-points-v", "0.1"), "give --measured-feed-v or --measured-a with it"),
        ((*RIGHT, "--marked", "24v"), "12v-resistor"),
        ((*RIGHT, "--json", " "), "--json: is empty"),
        ((*RIGHT, "--plots", ""), "--plots: is empty"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_nonsense_is_one_line_with_its_mend(
    arguments: tuple[str, ...], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    ran = here(capsys, *arguments)
    assert said in ran.error
    assert ran.out == ""
    assert not names(tmp_path)


def test_every_limit_is_an_option_and_its_ends_are_taken(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The largest and the smallest of each alone: figures for all, and neither NaN nor a fault."""
    for option, low, high, *_ in LIMITS:
        for end in (low, high):
            base = dict(zip(RIGHT[::2], RIGHT[1::2], strict=True)) | {option: f"{end:g}"}
            if option == "--from-rpm" and end == high:
                base["--from-rpm"] = "19999"
                base["--to-rpm"] = f"{high:g}"
            if option == "--to-rpm" and end == low:
                base |= {"--from-rpm": "10", "--to-rpm": "11"}
            if option in ("--measured-feed-v", "--measured-points-v") and end == high:
                base["--supply-v"] = "60"
            if option == "--measured-points-v":
                base |= {"--measured-feed-v": "12", option: "0" if end == low else "10"}
            words = [word for pair in base.items() for word in pair]
            told = as_json(capsys, *words)
            assert told["verdict"]["to_do"], words
            assert here(capsys, *words).status == 0
