"""The analysis on traces from outside, against the figures to reach.

The default run takes a few seeds of every scenario; ``-m sweep`` takes the thousand. The printed
table (``pytest -s``) shows worst errors and coverage.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from breakerbench.judge.specification import load_specification
from breakerbench.pipeline import analyze

from . import spice
from .generator import TraceSource, case
from .hold import coverage, table
from .run import NAMES, SPICE, Outcome, run, run_many
from .scenarios import ALL, BY_NAME

_SEEDS = range(3)
_SCENARIOS = [s.name for s in ALL]


@cache
def _outcome(name: str, seed: int) -> Outcome:
    return run(name, seed)


def _complaints(outs: list[Outcome]) -> str:
    return "\n".join(str(o) for o in outs if o.complaints)


#: Scenarios in which some figure still misses its allowance or its U; issue open, see the README.
_OPEN = ("extremes", "wander")


def _marked(name: str, known: bool) -> object:
    reason = "a figure misses its allowance or its U: not mended yet"
    marks = [pytest.mark.xfail(strict=True, reason=reason)] if known else []
    return pytest.param(name, marks=marks)


@pytest.mark.parametrize("name", [_marked(name, name in _OPEN) for name in _SCENARIOS])
def test_figures(name: str) -> None:
    said = _complaints([_outcome(name, seed) for seed in _SEEDS])
    assert not said, said


@pytest.mark.parametrize(
    ("name", "seed"),
    [
        ("commensurate", 201),  # every touch while the ring is near closed: no levels were found
        ("clean", 303),  # sixty counts without noise: the edges were taken for the noise
        ("clean", 315),
        ("fast", 218),  # one sample on the ramp: its u was guessed upwards, scatter came out low
        ("columns", 215),
        ("noise", 238),  # a ring that turns at closed, no noise
        ("clean", 127),  # a burn so damped that it does not ring: its swing divided by zero
        ("coil and encoder", 79),
        ("coil and encoder", 136),  # early touches met the ring: without them the mean was late
    ],
)
def test_cases_that_once_were_wrong(name: str, seed: int) -> None:
    said = _complaints([_outcome(name, seed)])
    assert not said, said


@pytest.mark.parametrize("name", SPICE)
def test_figures_of_circuits_solved_by_ngspice(name: str) -> None:
    spice.ngspice()
    said = _complaints([_outcome(name, seed) for seed in range(4)])
    assert not said, said


def test_coverage_of_the_cases_above() -> None:
    outs = [_outcome(s.name, seed) for s in ALL if s.covered for seed in _SEEDS]
    figs = [f for o in outs for f in o.figures]
    print("\n" + table(figs))
    said = coverage(figs)
    assert not said, said + "\n" + table(figs)


#: Distributors of forty, by kind of trace, in which a figure misses its allowance, its U or is not
#: given; one more is a step back and fails, one mended is a number to lower. Not listed: none.
_MISSING = {
    "condenser": 1, "clipped coil": 7, "low ring": 3, "bounce": 3, "noise": 1, "clean": 1,
    "slow sampling": 1, "extremes": 2, "columns": 1, "index faults": 2, "encoder alone": 2,
    "index and ripple": 2, "at rest first": 5, "holes": 1, "fast": 5, "spice coil": 1,
}  # fmt: skip
_MISSING_OF_A_THOUSAND = 5
#: Of a thousand inside U, where the 944 of the goal are not reached yet.
_LEAST = {"dwell per lobe": 930}


@pytest.mark.sweep
def test_coverage_of_a_thousand() -> None:
    """Ordinary conditions with an encoder, dry and coil: 944 to 971 of 1,000 (design 6)."""
    jobs = [(("dry and encoder", "coil and encoder")[k % 2], k, False) for k in range(1000)]
    outs = run_many(jobs, 2)
    figs = [f for o in outs for f in o.figures]
    print("\n" + table(figs))
    said = []
    for quantity in ("dwell mean", "dwell per lobe", "spacing", "scatter"):
        once = [f for f in figs if f.quantity == quantity and f.counts]
        share = 1000 * sum(f.covered for f in once) / len(once)
        if not _LEAST.get(quantity, 944) <= share <= 971:
            said.append(f"{quantity}: {share:.0f} of 1000 inside U")
    assert not said, "\n".join(said) + "\n" + table(figs)
    missing = sum(1 for o in outs if o.complaints)
    assert missing <= _MISSING_OF_A_THOUSAND, _complaints(outs)


@pytest.mark.sweep
@pytest.mark.parametrize("name", NAMES)
def test_figures_of_many(name: str) -> None:
    if name in SPICE:
        spice.ngspice()
    outs = run_many([(name, seed, False) for seed in range(100, 140)], 2)
    print("\n" + table([f for o in outs for f in o.figures]))
    missing = sum(1 for o in outs if o.complaints)
    print(f"{name}: {missing} of {len(outs)} miss\n{_complaints(outs)}")
    assert missing <= _MISSING.get(name, 0), _complaints(outs)


@pytest.mark.parametrize(
    ("name", "seed"),
    [
        ("coil", 50),
        ("clean", 3),
        ("condenser", 51),
        ("index faults", 52),
        pytest.param(
            "columns",
            53,
            marks=pytest.mark.xfail(strict=True, reason="touches leave no sign: rightly null"),
        ),
        ("rolling", 54),
        ("advance", 55),
        ("encoder bursts", 56),
    ],
)
def test_csv_through_the_command(name: str, seed: int) -> None:
    said = _complaints([run(name, seed, csv=True)])
    assert not said, said


def _result(tmp_path: Path, name: str, seed: int, **more: Any) -> dict[str, Any]:
    source, text, _ = case(seed, **{**BY_NAME[name].given(seed), **more})
    assert isinstance(source, TraceSource)
    path = tmp_path / "spec.toml"
    path.write_text(text)
    return analyze(source, load_specification(path))


@pytest.mark.parametrize("name", ["coil", "bounce", "condenser", "index faults", "rolling"])
def test_no_split_of_the_trace_changes_a_digit(tmp_path: Path, name: str) -> None:
    whole = _result(tmp_path, name, 60, blocks=1 << 30)
    for blocks in ((65536,), (4096, 1, 777, 30011), (257,)):
        part = _result(tmp_path, name, 60, blocks=blocks)
        assert json.dumps(part, sort_keys=True) == json.dumps(whole, sort_keys=True), blocks


def test_counts_and_volts_agree(tmp_path: Path) -> None:
    counts = _result(tmp_path, "coil", 61)
    volts = _result(tmp_path, "coil", 61, as_float=True)
    assert counts["dwell"]["mean_deg"] == pytest.approx(volts["dwell"]["mean_deg"], abs=1e-4)
    assert counts["scatter"]["deg"] == pytest.approx(volts["scatter"]["deg"], abs=1e-4)
