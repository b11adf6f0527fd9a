"""Runs the analysis over scenarios: in process, or a CSV through the real command.

By hand, from tests/:   python -m independent.run --seeds 0:20 [--only "low ring"] [--csv]
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import traceback
from collections import defaultdict
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from zlib import crc32

from breakerbench.judge.specification import load_specification
from breakerbench.pipeline import analyze

from .generator import TraceSource, case, specification
from .hold import Figure, LackingError, figures, figures_without_angle, table, wrong_decisions
from .scenarios import ALL, BY_NAME, Scenario
from .spice import spice_conditions, spice_made


@dataclass
class Outcome:
    """What became of one case: figures, or why there are none; and everything to make it again."""

    scenario: str
    seed: int
    figures: list[Figure] = field(default_factory=list)
    broken: str = ""
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0
    conditions: str = ""
    even: bool = True
    covered: bool = True

    @property
    def gross(self) -> float:
        """Largest error that its U plainly denies (beyond 3 U and 0.1 deg); 0 where there is none."""
        far = [
            abs(f.off)
            for f in self.figures
            if f.u is not None and abs(f.off) > max(3 * f.u, 0.1) and f.quantity != "dwell percent"
        ]
        return max(far, default=0.0)

    @property
    def complaints(self) -> list[str]:
        said = [self.broken] if self.broken else []
        said += self.wrong
        by: dict[str, list[Figure]] = defaultdict(list)
        for f in self.figures:
            by[f.quantity].append(f)
        for quantity, figs in by.items():
            over = [f for f in figs if not f.good and f.error is not None]
            if over and self.even:
                worst = max(over, key=lambda f: abs(f.error or 0.0))
                many = f" ({len(over)} of {len(figs)})" if len(figs) > 1 else ""
                said.append(
                    f"{quantity} error {worst.error:+.4f}, allowed {worst.allowance:.4f}{many}"
                )
            slack = 0.002 if self.covered else 0.02
            # Far outside its own U is a wrong figure, however many others are covered.
            far = [f for f in figs if f.u is not None and abs(f.off) > 2.2 * f.u + slack]
            if far:
                worst = max(far, key=lambda f: abs(f.off) / (f.u or 1e-9))
                said.append(f"{quantity} off {worst.off:+.4f} with U {worst.u:.4f}")
        return said

    def __str__(self) -> str:
        return (
            f"[{self.scenario}] seed {self.seed}: {'; '.join(self.complaints)} ({self.conditions})"
        )


def _load(folder: Path, text: str) -> Any:
    path = folder / "spec.toml"
    path.write_text(text)
    return load_specification(path)


def command(path: Path, spec: Path, *more: str) -> dict[str, Any]:
    """The result through the real command, as another program would have it."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "breakerbench.cli.main",
            "analyze",
            str(path),
            "--spec",
            str(spec),
            "--json",
            "-",
            *more,
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    if done.returncode:
        raise LackingError(f"exit {done.returncode}: {done.stderr.strip()[-400:]}")
    return json.loads(done.stdout)  # type: ignore[no-any-return]


def _result(
    scenario: Scenario, seed: int, folder: Path, *, csv: bool
) -> tuple[dict[str, Any], Mapping[str, Any]]:
    words = scenario.given(seed)
    if csv:
        words.pop("sampled", None)
        path, text, truth = case(seed, csv=folder / "a.csv", **words)
        assert isinstance(path, Path)
        (folder / "spec.toml").write_text(text)
        c = truth["conditions"]
        more = ["--encoder-pulses", str(c.encoder_pulses)] if c.encoder != "none" else []
        return command(path, folder / "spec.toml", *more), truth
    source, text, truth = case(seed, **words)
    assert isinstance(source, TraceSource)
    return analyze(source, _load(folder, text)), truth


def case_seed(name: str, seed: int) -> int:
    """The seed of ``case`` for number ``seed`` of a scenario."""
    return 100_000 * (crc32(name.encode()) % 20_000) + seed


def run(name: str, seed: int, *, csv: bool = False) -> Outcome:
    """One case of a scenario, or of "spice coil" and "spice dry"."""
    began = time.perf_counter()
    out = Outcome(name, seed)
    # Every scenario draws its own distributors: coverage wants them independent.
    seed = case_seed(name, seed)
    with tempfile.TemporaryDirectory() as text_folder:
        folder = Path(text_folder)
        try:
            if name.startswith("spice"):
                c, values = spice_conditions(seed, feed=name.split()[1])
                made = spice_made(c, values)
                truth: Mapping[str, Any] = made.truth
                result = analyze(TraceSource(made), _load(folder, specification(c)))
                numbered = True
            else:
                scenario = BY_NAME[name]
                numbered, out.covered = scenario.numbered, scenario.covered
                result, truth = _result(scenario, seed, folder, csv=csv)
                out.even = scenario.even is True or (
                    scenario.even == "encoder" and truth["conditions"].encoder != "none"
                )
            out.conditions = str(replace(truth["conditions"], nominal_deg=(), opening_deg=()))
            if truth["conditions"].index == truth["conditions"].encoder == "none":
                out.figures = figures_without_angle(result, truth)
            else:
                out.figures = figures(result, truth, numbered=numbered)
            out.wrong = wrong_decisions(result, truth) + _asides(result, truth)
        except LackingError as lacking:
            out.broken = f"lacking: {lacking}"
        except Exception:
            out.broken = "raised " + " | ".join(traceback.format_exc().splitlines()[-4:])
    out.seconds = time.perf_counter() - began
    return out


def _asides(result: Mapping[str, Any], truth: Mapping[str, Any]) -> list[str]:
    """What else the truth knows: missed events, polarity, supply, revolutions."""
    c, said = truth["conditions"], []
    missed = result.get("missed") or {}
    for key in ("openings", "closings"):
        if missed.get(key):
            said.append(f"missed.{key} {missed[key]}, none was missed")
    supply = result.get("supply") or {}
    expected = "negative ground" if c.polarity > 0 else "positive ground"
    if supply.get("polarity") not in (None, expected):
        said.append(f"polarity {supply['polarity']}")
    clips = c.rail_v < c.supply_v + abs(c.drift_v) + abs(c.pickup_v) + abs(c.offset_v) + 1
    if supply.get("volts") is not None and not clips:
        off = abs(supply["volts"]) - c.supply_v
        if abs(off) > 0.05 * c.supply_v + abs(c.drift_v) + abs(c.offset_v):
            said.append(f"supply {supply['volts']:.2f} V, is {c.supply_v:.2f} V")
    speed = result.get("speed") or {}
    turns = speed.get("revolutions")
    referenced = c.index != "none" or c.encoder != "none"
    whole = truth["revolutions"]
    if turns is not None and referenced and not 0.6 * whole - 4 <= turns <= whole + 0.5:
        said.append(f"{turns} revolutions of {whole:.1f}")
    low, high = truth["speed_rpm"]
    if referenced and low == high and speed.get("min_rpm") is not None:
        ripple = abs(c.ripple_locked[0]) + abs(c.ripple_free[0])
        for key in ("min_rpm", "max_rpm"):
            if abs(speed[key] / low - 1) > 0.01 + 2 * ripple:
                said.append(f"speed.{key} {speed[key]:.1f}, is {low:.1f}")
    return said


def _one(job: tuple[str, int, bool]) -> Outcome:
    return run(job[0], job[1], csv=job[2])


def run_many(jobs: list[tuple[str, int, bool]], workers: int = 1) -> list[Outcome]:
    if workers == 1:
        return [_one(job) for job in jobs]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(_one, jobs, chunksize=4))


SPICE = ("spice coil", "spice dry")
NAMES = (*(s.name for s in ALL), *SPICE)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:5")
    parser.add_argument("--only", action="append")
    parser.add_argument("--csv", action="store_true")
    parser.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--quiet", action="store_true", help="no table for each scenario")
    asked = parser.parse_args()
    first, last = map(int, asked.seeds.split(":"))
    total: list[Outcome] = []
    for name in asked.only or NAMES:
        jobs = [(name, seed, asked.csv) for seed in range(first, last)]
        outs = run_many(jobs, asked.workers)
        bad = [o for o in outs if o.complaints]
        gross = [o.gross for o in outs if o.gross]
        worst = f", {len(gross)} gross (to {max(gross):.2f} deg)" if gross else ""
        print(f"== {name}: {len(outs)} cases, {len(bad)} with complaints{worst}")
        for o in bad:
            print("  ", o)
        if not asked.quiet:
            print(table([f for o in outs for f in o.figures]))
        total += outs
    if len(asked.only or NAMES) > 1:
        print("== all")
        print(table([f for o in total for f in o.figures]))


if __name__ == "__main__":
    main()
