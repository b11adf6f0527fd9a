"""``analyze`` by the contract: statuses, outputs, display."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from breakerbench.sources.container import MARKER
from cli.command import Ran, breakerbench, names
from cli.traces import DWELL_DEG, RPM, write_csv, write_spec

#: Design section 4, result contract.
TABLES = {
    "schema", "speed", "dwell", "spacing", "scatter", "bounce", "missed", "advance", "vacuum",
    "contact", "coil", "condenser", "spark", "supply", "hand", "decisions", "findings", "lost",
}  # fmt: skip
DECISION = {"what", "value", "unit", "u", "low", "high", "decision"}

WIDE = "[dwell]\nmin_deg = 40.0\nmax_deg = 60.0"
NARROW = "[dwell]\nmin_deg = 53.5\nmax_deg = 60.0"
AT_THE_EDGE = f"[dwell]\nmin_deg = {DWELL_DEG}\nmax_deg = 60.0"


def test_json_on_standard_output(as_json: Ran) -> None:
    assert (as_json.status, as_json.err) == (0, "")
    result = json.loads(as_json.out, parse_constant=pytest.fail)  # NaN and Infinity are none
    assert set(result) >= TABLES
    assert result["schema"] == 1
    assert result["trace"]["simulated"] is False
    assert result["dwell"]["mean_deg"] == pytest.approx(DWELL_DEG, abs=0.02)
    assert result["speed"]["max_rpm"] == pytest.approx(RPM, rel=1e-3)
    assert len(result["dwell"]["per_lobe_deg"]) == 4
    assert result["decisions"]
    for one in result["decisions"]:
        assert set(one) >= DECISION
        assert one["decision"] in ("pass", "fail", "undecided", "not measured")
    for table in ("coil", "spark"):  # what is not measured is null, with its reason
        assert all(value in (None, []) for value in result[table].values())
        assert result["why"][table]


def test_developers_guide_names_every_key_and_no_other(as_json: Ran) -> None:
    guide = Path(__file__).parents[2].joinpath("DEVELOPERS.md").read_text(encoding="utf-8")
    section = guide.split("## The result, key by key")[1].split("\n## ")[0]
    table = section.split("| key | unit")[1].split("\n\n")[0]
    told = {
        key for row in table.splitlines() for key in re.findall(r"`([^`]+)`", row.split("|")[1])
    }
    result = json.loads(as_json.out)
    leaf = ("why",)
    written = {
        f"{name}.{key}" if isinstance(value, dict) and name not in leaf else name
        for name, value in result.items()
        for key in (value if isinstance(value, dict) and value else ("",))
    }
    assert told == written
    for one in result["decisions"]:
        assert all(f"`{key}`" in section for key in one)


def test_json_file_is_the_same(as_json: Ran, trace_csv: Path, tmp_path: Path) -> None:
    out = tmp_path / "result.json"
    out.write_text("an older file")
    ran = breakerbench("analyze", trace_csv, "--spec", "four-lobe", "--json", out)
    assert ran.status == 0
    assert "Measured" in ran.out
    assert out.read_text() == as_json.out
    assert names(tmp_path) == {"result.json"}


@pytest.mark.parametrize(
    ("body", "word", "strict_status"),
    [(WIDE, "pass", 0), (NARROW, "FAIL", 1), (AT_THE_EDGE, "too close to call", 1)],
)
def test_strict(body: str, word: str, strict_status: int, trace_csv: Path, tmp_path: Path) -> None:
    spec = write_spec(tmp_path / "spec.toml", body)
    ran = breakerbench(
        "analyze", trace_csv, "--spec", spec, "--strict", "--json", "strict.json", folder=tmp_path
    )
    assert ran.status == strict_status
    assert word in ran.out
    assert json.loads((tmp_path / "strict.json").read_text())["decisions"]


def test_without_strict_the_verdict_is_no_status(shown: Ran, as_json: Ran) -> None:
    assert any(one["decision"] != "pass" for one in json.loads(as_json.out)["decisions"])
    assert (shown.status, as_json.status) == (0, 0)


def test_a_failed_dwell_comes_with_what_to_do(trace_csv: Path, tmp_path: Path) -> None:
    body = "[dwell]\nmin_deg = 54.0\nmax_deg = 60.0\naim_deg = 55.0"
    spec = write_spec(tmp_path / "spec.toml", body)
    said = _joined(breakerbench("analyze", trace_csv, "--spec", spec).out).split("What to do")[1]
    assert "Set the gap a little closer" in said  # less gap, more dwell
    write_spec(spec, body + "\n[gap]\ndwell_change_deg_per_mm = -50.0")
    said = _joined(breakerbench("analyze", trace_csv, "--spec", spec).out).split("What to do")[1]
    assert "about 0.06 mm (0.002 inch) closer" in said  # (55 - 52) / -50
    assert "check the timing again" in said
    assert "What to do" not in breakerbench("analyze", trace_csv, "--spec", "four-lobe").out


def test_what_is_not_measured_is_no_pass(trace_csv: Path, tmp_path: Path) -> None:
    spec = write_spec(tmp_path / "spec.toml", WIDE + "\n[spark]\nmin_duration_ms = 0.8")
    ran = breakerbench("analyze", trace_csv, "--spec", spec, "--strict")
    assert ran.status == 1
    assert "not measured" in ran.out


def test_strict_with_nothing_to_judge(trace_csv: Path, tmp_path: Path) -> None:
    ran = breakerbench("analyze", trace_csv, "--strict", "--json", "-")
    assert ran.status == 0
    assert "--spec" in ran.err
    other = write_spec(tmp_path / "spec.toml", "[dwell]\nmin_deg = 20.0", lobes=6)
    ran = breakerbench("analyze", trace_csv, "--spec", other, "--strict")
    assert ran.status == 1  # four lobes are not six: no verdict is no pass
    assert "Nothing was judged" in ran.out


def test_what_has_no_limit_is_seen_as_not_judged(trace_csv: Path, tmp_path: Path) -> None:
    spec = write_spec(tmp_path / "spec.toml", WIDE)
    said = _joined(breakerbench("analyze", trace_csv, "--spec", spec).out)
    silent = said.split("not judged, no limit stated: ")[1].split(" In all")[0]
    assert (
        silent == "spacing error, largest; interval error, largest; opening scatter; contact drop"
    )
    write_spec(spec, WIDE + "\n[spacing]\nmax_error_deg = 1.0\nmax_interval_error_deg = 1.0")
    said = _joined(breakerbench("analyze", trace_csv, "--spec", spec).out)
    assert "no limit stated: opening scatter; contact drop In all" in said
    write_spec(spec, "[scatter]\nmax_deg = 0.5")
    assert "no limit stated: dwell;" in _joined(
        breakerbench("analyze", trace_csv, "--spec", spec).out
    )
    assert "not judged" not in breakerbench("analyze", trace_csv).out  # nothing was, it says


def test_piped_output_is_plain_and_narrow(shown: Ran) -> None:
    assert (shown.status, shown.err) == (0, "")
    assert "\x1b" not in shown.out
    assert max(map(len, shown.out.splitlines())) <= 80
    for table in ("Trace", "Measured", "Lobe by lobe", "Not measured", "Decisions"):
        assert table in shown.out
    assert "Degrees are distributor degrees, speeds are distributor rpm." in _joined(shown.out)


def test_narrow_windows_and_old_code_pages(trace_csv: Path) -> None:
    old = {"COLUMNS": "50", "PYTHONIOENCODING": "ascii"}
    ran = breakerbench("analyze", trace_csv, environment=old)
    assert (ran.status, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= 50
    assert "dwell" in ran.out


def test_simulated_data_is_called_simulated(shown: Ran, recording: Path) -> None:
    assert "SIMULATED" in breakerbench("analyze", recording).out.splitlines()[0]
    assert "SIMULATED" not in shown.out
    result = json.loads(breakerbench("analyze", recording, "--json", "-").out)
    assert result["trace"]["simulated"] is True


def test_crankshaft_figures_are_doubled_separately_and_named(
    trace_csv: Path, shown: Ran, as_json: Ran
) -> None:
    assert "900 rpm" in shown.out
    assert "52.0" in shown.out
    degrees = breakerbench("analyze", trace_csv, "--degrees", "crankshaft").out
    assert "Degrees are crankshaft degrees, speeds are distributor rpm." in _joined(degrees)
    assert "104.0" in degrees
    assert "crank deg" in degrees
    assert "900 rpm" in degrees
    both = ("--degrees", "crankshaft", "--speed-basis", "crankshaft", "--spec", "four-lobe")
    speeds = breakerbench("analyze", trace_csv, *both).out
    assert "Degrees are crankshaft degrees, speeds are crankshaft rpm." in _joined(speeds)
    assert "1,800 crank rpm" in speeds
    assert "100 to 116" in speeds  # the limits with them
    assert breakerbench("analyze", trace_csv, "--json", "-", *both).out == as_json.out


def _joined(text: str) -> str:
    return " ".join(text.split())


def test_import_options_reach_the_import(tmp_path: Path) -> None:
    scope = write_csv(tmp_path / "scope.csv", heading="CH1", volts=0.12)
    refused = breakerbench("analyze", scope).error
    assert "'CH1'" in refused
    assert "--column points_v=NAME" in refused
    named = ("--column", "points_v=CH1", "--scale", "points_v=100")
    ran = breakerbench("analyze", scope, *named, "--json", "-")
    assert json.loads(ran.out)["dwell"]["mean_deg"] == pytest.approx(DWELL_DEG, abs=0.02)


def test_an_encoder_alone_does_not_tell_the_lobes(tmp_path: Path) -> None:
    trace = write_csv(tmp_path / "run.csv", encoder_pulses=60)
    alone = ("analyze", trace, "--encoder-pulses", "60", "--json", "-")
    result = json.loads(breakerbench(*alone).out)
    assert result["dwell"]["mean_deg"] == pytest.approx(DWELL_DEG, abs=0.05)
    assert result["dwell"]["percent"] is None
    assert result["trace"]["lobes"] is None
    assert result["speed"]["revolutions"] is None
    assert "number of lobes" in result["why"]["dwell.percent"]
    result = json.loads(breakerbench(*alone, "--spec", "four-lobe").out)
    assert result["dwell"]["percent"] == pytest.approx(DWELL_DEG / 0.9, abs=0.05)
    assert result["trace"]["lobes"] == 4


@pytest.mark.parametrize("encoder_pulses", [0, 60], ids=["index", "encoder"])
@pytest.mark.parametrize("told", [1, 2, 6, 8])
def test_a_specification_of_another_cam_judges_nothing(
    told: int, encoder_pulses: int, tmp_path: Path
) -> None:
    trace = write_csv(tmp_path / "run.csv", encoder_pulses=encoder_pulses)
    body = "[dwell]\nmin_deg = 1.0\nmax_deg = 44.0\n[spacing]\nmax_error_deg = 1.0"
    spec = write_spec(tmp_path / "spec.toml", body, lobes=told)
    pulses = ("--encoder-pulses", "60") if encoder_pulses else ()
    result = json.loads(breakerbench("analyze", trace, "--spec", spec, "--json", "-", *pulses).out)
    assert result["decisions"] == []
    assert f"the trace shows 4 lobes, the specification says {told}" in result["why"]["decisions"]
    assert result["why"]["decisions"] in " ".join(result["warnings"])
    if result["dwell"]["percent"] is not None:  # an index shows the right number
        assert result["dwell"]["percent"] == pytest.approx(DWELL_DEG / 0.9, abs=0.05)


def test_what_the_options_leave_open_is_said(trace_csv: Path, tmp_path: Path) -> None:
    def warnings(*arguments: str | Path) -> str:
        return " ".join(json.loads(breakerbench("analyze", *arguments).out)["warnings"])

    encoder = write_csv(tmp_path / "run.csv", encoder_pulses=60)
    assert "Add --encoder-pulses N" in warnings(encoder, "--json", "-")
    assert "no encoder channel" in warnings(trace_csv, "--encoder-pulses", "60", "--json", "-")
    neither = write_csv(tmp_path / "none.csv", heading="points_v,x").read_text()
    (tmp_path / "none.csv").write_text(neither.replace(",x,index", ",x"))
    ran = breakerbench("analyze", tmp_path / "none.csv", "--spec", "four-lobe", "--json", "-")
    assert "lobe 1 is arbitrary" in json.loads(ran.out)["notes"][0]
    coil = json.loads(breakerbench("analyze", trace_csv, "--kind", "coil", "--json", "-").out)
    assert coil["dwell"]["mean_deg"] is None
    assert "recorded for the coil" in coil["why"]["dwell"]
    assert warnings(trace_csv, "--json", "-") == ""


# --- bad input: one line, status 2, nothing left behind ------------------------------------------


@pytest.mark.parametrize(
    ("content", "named"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02" * 500, "bad.csv"),
        (b"time_s,points_v\n", "bad.csv"),
        (b"time_s,points_v\n0,0.1\n1e-5,zero\n2e-5,0.1\n", "line 3"),
        (b"a,b,c\n1,2,3\n", "bad.csv"),
        (b"time_s,points_v\n" + b"9" * 100_000, "bad.csv"),
        (b'{"schema": 1}', "bad.csv"),
        (b"time_s,points_v\n0,\x1b[31m\n1e-5,3\n", "line 2"),
    ],
    ids=["empty", "binary", "no rows", "words", "foreign", "one endless line", "json", "escape"],
)
def test_bad_files(content: bytes, named: str, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_bytes(content)
    ran = breakerbench("analyze", bad, "--json", tmp_path / "out.json", timeout=20)
    assert named in ran.error
    assert "bad.csv" in ran.error
    assert ";" in ran.error  # the mend
    assert "\x1b" not in ran.error
    assert names(tmp_path) == {"bad.csv"}


def test_no_such_file_and_a_folder(tmp_path: Path) -> None:
    assert "none.csv" in breakerbench("analyze", tmp_path / "none.csv").error
    assert "folder" in breakerbench("analyze", tmp_path).error
    assert breakerbench("analyze", "bad\nname\x1b[2J.csv").error


def test_a_recording_without_its_header(recording: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.bbr"
    cut.write_bytes(recording.read_bytes()[:50])
    assert "cut.bbr" in breakerbench("analyze", cut).error
    cut.write_bytes(recording.read_bytes()[:3000])  # the header is whole, the first block is not
    ran = breakerbench("analyze", cut, "--json", "out.json", folder=tmp_path)
    assert "holds no samples" in ran.error
    assert names(tmp_path) == {"cut.bbr"}


def test_a_recording_cut_short_is_read_and_says_so(recording: Path, tmp_path: Path) -> None:
    content = recording.read_bytes()
    cut = tmp_path / "cut.bbr"
    cut.write_bytes(content[: len(content) * 2 // 3])
    ran = breakerbench("analyze", cut, "--json", "-")
    assert ran.status == 0
    assert any("are lost (the file was cut short)" in w for w in json.loads(ran.out)["warnings"])
    whole = json.loads(breakerbench("analyze", recording, "--json", "-").out)
    result = json.loads(ran.out)
    assert 0 < result["trace"]["seconds"] < whole["trace"]["seconds"]
    assert result["dwell"]["mean_deg"] == pytest.approx(whole["dwell"]["mean_deg"], abs=0.05)


def test_a_recording_cut_between_two_blocks_says_so(recording: Path, tmp_path: Path) -> None:
    content = recording.read_bytes()
    cut = tmp_path / "cut.bbr"
    cut.write_bytes(content[: content.rindex(MARKER)])
    ran = breakerbench("analyze", cut)
    assert ran.status == 0
    assert "Something is lost, how much is not known: the file was cut short." in _joined(ran.out)


@pytest.mark.parametrize("spec", ["nonsense", "nowhere/none.toml", "bad.toml"])
def test_bad_specification(spec: str, trace_csv: Path, tmp_path: Path) -> None:
    write_spec(tmp_path / "bad.toml", "[dwell]\nmin_dge = 50.0")
    ran = breakerbench("analyze", trace_csv, "--spec", spec, "--json", "out.json", folder=tmp_path)
    assert spec in ran.error
    assert names(tmp_path) == {"bad.toml"}


def test_output_that_cannot_be_written(trace_csv: Path, tmp_path: Path) -> None:
    for place in ("missing/out.json", ".", "x" * 300):
        ran = breakerbench("analyze", trace_csv, "--json", place, folder=tmp_path)
        assert place in ran.error
        assert ran.out == ""
        assert not names(tmp_path)


def test_the_input_is_never_overwritten(tmp_path: Path) -> None:
    trace = write_csv(tmp_path / "run.csv", 0.2)
    (tmp_path / "link.csv").symlink_to(trace)
    spec = write_spec(tmp_path / "spec.toml", WIDE)
    before = trace.read_bytes(), spec.read_bytes()
    for out in ("link.csv", "./run.csv", "spec.toml"):
        ran = breakerbench("analyze", trace, "--spec", spec, "--json", out, folder=tmp_path)
        assert "is the input itself" in ran.error
    assert (trace.read_bytes(), spec.read_bytes()) == before
    assert names(tmp_path) == {"run.csv", "link.csv", "spec.toml"}


def test_text_of_a_file_does_not_steer_the_terminal(tmp_path: Path) -> None:
    trace = write_csv(tmp_path / "a\x1b[2Jb.csv", 0.5, comment="# by \x1b]0;title\x07 somebody")
    ran = breakerbench("analyze", trace)
    assert ran.status == 0, ran.err
    assert "\x1b" not in ran.out
    assert "\x07" not in ran.out
