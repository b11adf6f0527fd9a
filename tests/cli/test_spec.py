"""``spec list``, ``show``, ``check``."""

from __future__ import annotations

from pathlib import Path

import pytest

from breakerbench.judge.specification import library, load_specification
from cli.command import breakerbench
from cli.traces import write_spec


def test_list_names_all_with_their_sources() -> None:
    ran = breakerbench("spec", "list")
    assert (ran.status, ran.err) == (0, "")
    text = " ".join(ran.out.split())
    for name, path in library().items():
        assert f" {name} " in text
        assert load_specification(path).distributor.source.split(":")[0] in text
    assert max(map(len, ran.out.splitlines())) <= 80


def test_show(tmp_path: Path) -> None:
    write_spec(tmp_path / "a.toml", "[advance]\npoints = [[250, 0.0, 1.0], [600, 3.0, 5.0]]")
    ran = breakerbench("spec", "show", "a.toml", folder=tmp_path)
    assert (ran.status, ran.err) == (0, "")
    for word in ("of the test", "points at 600 rpm", "3 to 5", "distributor degrees"):
        assert word in ran.out
    crank = ("--degrees", "crankshaft", "--speed-basis", "crankshaft")
    ran = breakerbench("spec", "show", "a.toml", *crank, folder=tmp_path)
    for word in ("points at 1,200 crank rpm", "6 to 10", "crank deg", "crankshaft degrees"):
        assert word in ran.out


def test_show_what_is_not_there() -> None:
    assert "four-lobe" in breakerbench("spec", "show", "fore-lobe").error


def test_check_the_whole_library() -> None:
    ran = breakerbench("spec", "check", *library())
    assert (ran.status, ran.err) == (0, "")
    assert ran.out.count("in order") == len(library())


def test_check_prints_a_line_for_each_problem(tmp_path: Path) -> None:
    good = write_spec(tmp_path / "good.toml", "[dwell]\nmin_deg = 50.0")
    wrong_key = write_spec(tmp_path / "key.toml", "[dwell]\nmin_dge = 50.0")
    wrong_order = write_spec(tmp_path / "order.toml", "[dwell]\nmin_deg = 58.0\nmax_deg = 50.0")
    ran = breakerbench("spec", "check", good, wrong_key, wrong_order, tmp_path / "none.toml")
    assert ran.status == 2
    lines = ran.err.splitlines()
    assert len(lines) == 3
    for line, (file, key) in zip(
        lines, (("key.toml", "min_deg"), ("order.toml", "min_deg"), ("none.toml", "")), strict=True
    ):
        assert file in line
        assert key in line
    assert "good.toml" in ran.out


@pytest.mark.parametrize("body", ["[dwell]\naim_deg = 57.0\nmin_deg = 50.0\nmax_deg = 58.0"])
def test_check_warns_of_what_is_odd(body: str, tmp_path: Path) -> None:
    ran = breakerbench("spec", "check", write_spec(tmp_path / "odd.toml", body))
    assert ran.status == 0
    assert "WARNING" in ran.out
