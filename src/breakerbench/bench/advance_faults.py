"""Faults of weights and vacuum unit, put into their mechanics; level 0 slight, 1, 2 dead."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from breakerbench.bench.model import Bench
from breakerbench.bench.vacuum import VacuumUnit
from breakerbench.bench.weights import SprungWeights
from breakerbench.errors import BadInput


def _weights(bench: Bench) -> SprungWeights:
    if not isinstance(bench.weights, SprungWeights):
        raise BadInput(
            "a fault of the weights",
            "this distributor has no weights with springs",
            "leave the fault out, or give it weights",
        )
    return bench.weights


def _with(bench: Bench, **changed: Any) -> Bench:
    return replace(bench, weights=replace(_weights(bench), **changed))


def _hold_nmm(bench: Bench) -> float:
    """What holds the weights at rest, N mm."""
    return _weights(bench).lever_mm * _weights(bench).light_preload_n


def _sticking(bench: Bench, level: int) -> Bench:
    if level == 2:
        return _with(bench, stuck_deg=0.0)
    weights = _weights(bench)
    # the spring less what the pull grows by, at the start: what a degree of movement takes there
    growth = _hold_nmm(bench) * weights.growth_mm / weights.radius_mm
    stiffness = weights.lever_mm**2 * weights.light_n_per_mm - growth
    jump_deg = (0.25, 1.8)[level]
    return _with(bench, stiction_nmm=math.radians(jump_deg) * stiffness)


def _dry(bench: Bench, level: int) -> Bench:
    share = (0.06, 0.4, 2.0)[level]
    return _with(bench, friction_nmm=_weights(bench).friction_nmm + share * _hold_nmm(bench))


def _spring(bench: Bench, share: float) -> Bench:
    weights = _weights(bench)
    return _with(
        bench,
        light_preload_n=share * weights.light_preload_n,
        light_n_per_mm=share * weights.light_n_per_mm,
    )


def _spring_broken(bench: Bench, level: int) -> Bench:
    weights = _weights(bench)
    if level == 0:
        # drawn out of its length, not yet broken
        return _with(bench, light_preload_n=0.9 * weights.light_preload_n)
    heavy = weights.heavy_n_per_mm if level == 1 else 0.0
    return _with(bench, light_preload_n=0.0, light_n_per_mm=0.0, heavy_n_per_mm=heavy)


def _stop_worn(bench: Bench, level: int) -> Bench:
    return _with(bench, stop_deg=_weights(bench).stop_deg + (0.3, 2.5, 8.0)[level])


def _vacuum(bench: Bench) -> VacuumUnit:
    if bench.vacuum is None:
        raise BadInput(
            "a fault of the vacuum unit",
            "this distributor has no vacuum unit",
            "leave the fault out, or give it one",
        )
    return bench.vacuum


def _leaking(bench: Bench, level: int) -> Bench:
    unit = replace(_vacuum(bench), leak_share=(0.03, 0.4, 1.0)[level])
    return replace(bench, vacuum=unit)


def _vacuum_stuck(bench: Bench, level: int) -> Bench:
    unit = _vacuum(bench)
    if level == 2:
        return replace(bench, vacuum=replace(unit, stuck_deg=0.0))
    # a share of the spring's force at full travel
    most_n = unit.preload_n + unit.rate_n_per_mm * unit.stop_mm
    more_n = (0.03, 0.35)[level] * most_n
    return replace(bench, vacuum=replace(unit, friction_n=unit.friction_n + more_n))


def _plate_loose(bench: Bench, level: int) -> Bench:
    loose = replace(
        _vacuum(bench),
        scatter_deg=(0.1, 0.9, 2.5)[level],
        widening_mm_per_deg=(0.001, 0.008, 0.02)[level],
    )
    return replace(bench, vacuum=loose)


ADVANCE_FAULTS: Mapping[str, Callable[[Bench, int], Bench]] = {
    "weights-sticking": _sticking,
    "weights-dry": _dry,
    "weights-spring-weak": lambda bench, level: _spring(bench, (0.95, 0.7, 0.3)[level]),
    "weights-spring-strong": lambda bench, level: _spring(bench, (1.05, 1.5, 4.0)[level]),
    "weights-spring-broken": _spring_broken,
    "weights-stop-worn": _stop_worn,
    "vacuum-leaking": _leaking,
    "vacuum-stuck": _vacuum_stuck,
    "vacuum-plate-loose": _plate_loose,
}
