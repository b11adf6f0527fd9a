"""Traces that several tests of the command line read, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli.command import Ran, breakerbench
from cli.traces import write_csv


@pytest.fixture(scope="session")
def trace_csv(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One second of a faultless distributor: dwell 52 deg, 900 rpm, with an index."""
    return write_csv(tmp_path_factory.mktemp("trace") / "trace.csv")


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds from the simulated bench at 1,200 rpm, its truth beside it."""
    path = tmp_path_factory.mktemp("recording") / "run.bbr"
    ran = breakerbench(
        "simulate", "--out", path, "--speed", "1200", "--seconds", "2", "--seed", "5"
    )
    assert ran.status == 0, ran.err
    return path


@pytest.fixture(scope="session")
def shown(trace_csv: Path) -> Ran:
    """The report on ``trace_csv``, as another program would read it from a pipe."""
    return breakerbench("analyze", trace_csv, "--spec", "four-lobe")


@pytest.fixture(scope="session")
def as_json(trace_csv: Path) -> Ran:
    """The result for ``trace_csv``."""
    return breakerbench("analyze", trace_csv, "--spec", "four-lobe", "--json", "-")
