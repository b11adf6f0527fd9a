"""The condenser alone, by the real command: simulated, measured, judged, drawn, read back from a CSV."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.command import breakerbench, names

SPEC = """schema = 1
[distributor]
name = "of the test"
lobes = 4
source = "invented for a test"
[condenser]
capacitance_uf = [0.18, 0.25]
min_leakage_megohm = 5.0
"""


def made(folder: Path, *more: str) -> None:
    ran = breakerbench("simulate", "--out", "c.bbr", "--kind", "condenser", *more, folder=folder)
    assert (ran.status, ran.err) == (0, "")
    assert "SIMULATED" in ran.out
    (folder / "spec.toml").write_text(SPEC)


@pytest.mark.parametrize(
    ("fault", "state", "next_step"),
    [
        ((), "in order", "Fit it."),
        (("--fault", "condenser-leaky=needs-repair"), "leaky", "Dry and clean the insulator"),
        (("--fault", "condenser-small=needs-repair"), "wrong size", "Check the resistor"),
        (("--fault", "condenser-open=needs-repair"), "open", "Look at the lead"),
        (("--fault", "condenser-shorted=dead"), "shorted", "Take its lead off"),
    ],
)
def test_states_and_what_to_do(
    tmp_path: Path, fault: tuple[str, ...], state: str, next_step: str
) -> None:
    made(tmp_path, *fault)
    ran = breakerbench(
        "analyze", "c.bbr", "--spec", "spec.toml", "--strict", "--json", "c.json", folder=tmp_path
    )
    assert (ran.status, ran.err) == (0 if state == "in order" else 1, "")
    result = json.loads((tmp_path / "c.json").read_text(), parse_constant=pytest.fail)
    assert result["condenser"]["state"] == state
    assert next_step in ran.out
    assert "Empty the condenser" in ran.out
    truth = json.loads((tmp_path / "c.bbr.truth.json").read_text())
    value, u = (result["condenser"][key] for key in ("capacitance_f", "u_capacitance_f"))
    if value is not None:
        assert abs(value - truth["condenser"]["capacitance_f"]) <= u


def test_pictures_and_a_csv_read_back(tmp_path: Path) -> None:
    made(tmp_path, "--leakage-megohm", "3", "--capacitance-uf", "0.2", "--system", "6")
    ran = breakerbench("analyze", "c.bbr", "--plots", "p", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    assert "Pictures in p: condenser (" in ran.out
    assert "No picture" not in ran.out
    assert names(tmp_path / "p") == {"condenser.svg", "condenser.png", "index.html"}
    assert breakerbench("export", "c.bbr", "--out", "c.csv", folder=tmp_path).status == 0
    told = ("--kind", "condenser", "--series-ohm", "10e3", "--probe-ohm", "10e6")
    ran = breakerbench(
        "analyze", "c.csv", *told, "--accuracy", "series=0.1", "--json", "-", folder=tmp_path
    )
    table = json.loads(ran.out)["condenser"]
    assert table["capacitance_f"] == pytest.approx(0.2e-6, rel=0.006)
    assert table["u_capacitance_f"] < 0.006 * 0.2e-6
    assert table["leakage_ohm"] == pytest.approx(3e6, rel=0.05)
    assert table["test_v"] == pytest.approx(6.0, rel=0.02)


def test_without_the_resistor_the_next_step_is_said(tmp_path: Path) -> None:
    made(tmp_path)
    assert breakerbench("export", "c.bbr", "--out", "c.csv", folder=tmp_path).status == 0
    text = (tmp_path / "c.csv").read_text()
    lines = [line for line in text.splitlines() if "series_ohm" not in line]
    (tmp_path / "c.csv").write_text("\n".join(lines) + "\n")
    ran = breakerbench("analyze", "c.csv", "--kind", "condenser", folder=tmp_path)
    assert ran.status == 0
    assert "--series-ohm" in ran.out


@pytest.mark.parametrize(
    ("options", "error"),
    [
        (("--kind", "condenser", "--lobes", "6"), "--lobes: is of no use with --kind condenser"),
        (("--hold", "3"), "--hold: goes with a condenser alone"),
        (("--kind", "condenser", "--series-ohm", "0"), "--series-ohm 0: is not possible"),
        (("--kind", "condenser", "--hold", "9999"), "would last"),
        (("--kind", "condenser", "--fault", "shaft-bent=dead"), "no fault of a condenser"),
    ],
)
def test_options_that_do_not_go_together(
    tmp_path: Path, options: tuple[str, ...], error: str
) -> None:
    ran = breakerbench("simulate", "--out", "c.bbr", *options, folder=tmp_path)
    assert error in ran.error
    assert names(tmp_path) == set()
