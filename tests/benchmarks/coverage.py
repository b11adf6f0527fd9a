"""Errors and coverage over many random distributors, from two simulators that share nothing."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from breakerbench.bench.random_bench import random_bench, random_sweep
from breakerbench.bench.simulated import simulate
from breakerbench.bench.truth_shaft import SlowLoop
from breakerbench.judge.specification import Specification, parse_specification
from breakerbench.pipeline import analyze
from independent import run as independent_run
from independent.hold import Figure, LackingError, allowance_deg, table


def print_tables(seeds: int) -> None:
    """Worst and 95th percentile of the error, share of true values inside U, for each simulator."""
    for title, count, results in (
        ("The simulated bench, random distributors and conditions", seeds, own(seeds)),
        ("Random weights swept up and down, with an encoder", seeds // 5, swept(seeds // 5)),
        ("The independent generator, its scenarios in turn", seeds, independent(seeds)),
    ):
        begin = time.perf_counter()
        found: list[Figure] = []
        lacking: list[str] = []
        for seed, held in enumerate(results):
            if isinstance(held, str):
                lacking.append(f"seed {seed}: {held}")
            else:
                found += held
        print(f"\n{title}: {count} seeds in {time.perf_counter() - begin:.0f} s")
        print(
            "(deg, start in rpm; 'over': errors above what is allowed; 'covered': true values inside U)"
        )
        print(table(found) if found else "  no result at all")
        print(f"without a figure: {len(lacking)}")
        for line in lacking[:10]:
            print(f"  {line}")


def independent(seeds: int) -> Iterator[list[Figure] | str]:
    """Its scenarios in turn, each with seeds of its own."""
    names = [name for name in independent_run.NAMES if name not in independent_run.SPICE]
    for seed in range(seeds):
        outcome = independent_run.run(names[seed % len(names)], seed // len(names))
        yield f"{outcome.scenario}: {outcome.broken}" if outcome.broken else outcome.figures


def own(seeds: int) -> Iterator[list[Figure] | str]:
    for seed in range(seeds):
        bench = random_bench(seed)
        made = simulate(bench, seed)
        result = analyze(made, _specification(made.truth))
        try:
            yield list(_figures(result, made.truth, bench.converter.sample_rate_hz, seed))
        except LackingError as error:
            yield str(error)


def swept(seeds: int) -> Iterator[list[Figure] | str]:
    """Advance of weights with springs and friction: start, largest, hysteresis, one point of each."""
    for seed in range(seeds):
        made = simulate(random_sweep(seed, encoder=True), seed)
        result = analyze(made, _specification(made.truth))
        found, truth = result["advance"], made.truth["advance"]
        if found["reference"] is None:
            yield result["why"]["advance"]
            continue
        figures = [
            Figure(f"advance {name}", off, allowed, off, found[f"u_{key}"])
            for name, key, allowed in (
                ("start", "start_rpm", 12.0),
                ("largest", "max_deg", 0.15),
                ("hysteresis", "hysteresis_deg", 0.15),
            )
            if found[key] is not None
            for off in (found[key] - truth[key],)
        ]
        # no lean in these: the curve is that of the weights alone
        loop = SlowLoop(made.bench.weights, float(np.max(made.motion.weights.plan)))
        for way, curve in (("rising", loop.rising), ("falling", loop.falling)):
            points = found[way]
            for number, point in enumerate(points):
                off = point["deg"] - float(curve(np.array([point["rpm"]]))[0])
                once = number == seed % len(points)
                figures.append(Figure(f"advance {way}", off, 0.1, off, point["u_deg"], once))
        yield figures


def _specification(truth: Mapping[str, Any]) -> Specification:
    """What a hand would know of the distributor: its lobes and their nominal angles."""
    nominal = truth["nominal_deg"]
    text = (
        f'schema = 1\n[distributor]\nname = "random"\nlobes = {len(nominal)}\n'
        f'source = "drawn at random"\nnominal_deg = {nominal}\n'
    )
    return parse_specification(text.encode(), "random distributor")


def _figures(
    result: Mapping[str, Any], truth: Mapping[str, Any], rate_hz: float, seed: int
) -> Iterator[Figure]:
    """Dwell, spacing and scatter; one lobe of each distributor enters the coverage.

    Dwell and spacing only where there is an encoder: with an index alone their uncertainty is wide
    on purpose, for the ripple that the index cannot see.
    """
    real = truth["realized"]
    lobes = len(truth["dwell"]["per_lobe_deg"])
    allowance = allowance_deg(rate_hz)
    encoder = "encoder" in result["trace"]["reference"]
    for name, table_name, key, u_key, allowed in (
        ("dwell mean", "dwell", "mean_deg", "u_deg", allowance),
        ("dwell per lobe", "dwell", "per_lobe_deg", "u_per_lobe_deg", allowance),
        ("spacing", "spacing", "error_deg", "u_deg", allowance),
        ("scatter", "scatter", "deg", "u_deg", 0.01),
    ):
        values = _numbers(result, table_name, key)
        u = np.broadcast_to(_numbers(result, table_name, u_key), values.shape)
        happened = np.atleast_1d(np.array(real[table_name][key], float))
        own_values = np.atleast_1d(np.array(truth[table_name][key], float))
        if values.shape != own_values.shape:
            raise LackingError(f"{table_name}.{key} has {values.size} of {own_values.size} values")
        for lobe in range(values.size):
            yield Figure(
                name,
                float(values[lobe] - happened[lobe]),
                allowed,
                float(values[lobe] - own_values[lobe]),
                float(u[lobe]),
                counts=lobe == seed % values.size
                and (encoder or name == "scatter")
                and not (name == "spacing" and lobes == 1),
            )


def _numbers(result: Mapping[str, Any], name: str, key: str) -> np.ndarray:
    value = result[name][key]
    if value is None or value == [] or (isinstance(value, list) and None in value):
        why = result["why"].get(f"{name}.{key}") or result["why"].get(name)
        raise LackingError(f"{name}.{key} is {value}: {why}")
    return np.atleast_1d(np.array(value, float))
