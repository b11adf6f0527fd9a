"""Results held against the truth: errors against the allowances, and whether the stated U covers.

The error of a figure is taken against the openings that happened (``realized``); what U must cover
is the distributor itself (``population``), since scatter is random at each opening.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import stats


@dataclass(frozen=True)
class Figure:
    """One figure of one result.

    error      result less what happened in the run; None where that is not comparable
    allowance  largest magnitude allowed of ``error``
    off, u     result less the distributor's own value, and the stated expanded uncertainty
    counts     True for the one lobe of each case that enters the coverage
    guarded    True where U also holds what an index alone cannot see (ripple): it may then cover
               more than 95.45 %
    """

    quantity: str
    error: float | None
    allowance: float
    off: float
    u: float | None
    counts: bool = True
    guarded: bool = False

    @property
    def good(self) -> bool:
        return self.error is None or abs(self.error) <= self.allowance

    @property
    def covered(self) -> bool:
        return self.u is not None and abs(self.off) <= self.u


def allowance_deg(rate_hz: float) -> float:
    """Design section 6, dwell per lobe and spacing; grows with the sample time from 100 kS/s."""
    sample_us = 1e6 / rate_hz
    if sample_us <= 10:
        return 0.02 + max(0.0, sample_us - 4) * 0.01 / 6
    return 0.03 * sample_us / 10


class LackingError(AssertionError):
    """The result has no figure where it should."""


def _numbers(
    result: Mapping[str, Any], table: str, key: str, size: int | None = None
) -> np.ndarray:
    value = result.get(table, {}).get(key) if result.get(table) else None
    if value is None or (isinstance(value, list) and (not value or None in value)):
        why = result.get("why") or {}
        told = why.get(f"{table}.{key}") or why.get(table)
        raise LackingError(f"{table}.{key} is {value}; why: {told}")
    out = np.atleast_1d(np.array(value, float))
    if size is not None and out.size != size:
        raise LackingError(f"{table}.{key} has {out.size} values for {size} lobes")
    return out


def _rotation(values: np.ndarray, truth: np.ndarray) -> int:
    """Turn of the lobes that fits best (where no index says which is lobe 1)."""
    return int(np.argmin([np.abs(np.roll(values, k) - truth).sum() for k in range(truth.size)]))


def figures(
    result: Mapping[str, Any], truth: Mapping[str, Any], *, numbered: bool = True
) -> list[Figure]:
    """Every figure of ``result`` that the truth knows; raises LackingError where one is missing.

    numbered  False where nothing says which lobe is lobe 1: the best rotation is compared
    """
    c = truth["conditions"]
    lobes, real = truth["lobes"], truth["realized"]
    least = real["least_per_lobe"]
    allowance = allowance_deg(c.rate_hz)
    if c.feed == "coil" and (truth["clipped_closings"] > 0.02 or c.rail_v < 25):
        # Cut-off edges hide how high they came from or how steep they are: U must say so, and
        # within reason the figure stays usable.
        allowance *= 5
    # The result may take one revolution more or less than ours: that moves a mean by this much.
    edge_deg = 2.5 * np.hypot(c.scatter_deg, c.closing_scatter_deg) / least
    pick = c.seed % lobes
    out = [
        Figure(
            "dwell mean",
            _numbers(result, "dwell", "mean_deg")[0] - real["dwell_mean_deg"],
            allowance + edge_deg,
            _numbers(result, "dwell", "mean_deg")[0] - truth["dwell_mean_deg"],
            float(_numbers(result, "dwell", "u_deg")[0]),
        )
    ]
    percent = float(_numbers(result, "dwell", "percent")[0])
    out.append(
        Figure(
            "dwell percent",
            percent - real["dwell_mean_deg"] * lobes / 3.6,
            (allowance + edge_deg) * lobes / 3.6,
            percent - truth["dwell_percent"],
            float(_numbers(result, "dwell", "u_deg")[0]) * lobes / 3.6,
        )
    )
    dwell = _numbers(result, "dwell", "per_lobe_deg", lobes)
    u_dwell = _numbers(result, "dwell", "u_per_lobe_deg", lobes)
    spacing = _numbers(result, "spacing", "error_deg", lobes)
    u_spacing = _numbers(result, "spacing", "u_deg")
    turn = 0
    if not numbered:
        both = np.array(truth["spacing_deg"])
        turn = _rotation(spacing, both) if lobes > 1 else 0
        dwell, u_dwell, spacing = (np.roll(x, turn) for x in (dwell, u_dwell, spacing))
    for k in range(lobes):
        out.append(
            Figure(
                "dwell per lobe",
                dwell[k] - real["dwell_per_lobe_deg"][k],
                allowance + edge_deg,
                dwell[k] - truth["dwell_per_lobe_deg"][k],
                float(u_dwell[k]),
                counts=k == pick,
            )
        )
        u = float(u_spacing[k % u_spacing.size])
        out.append(
            Figure(
                "spacing",
                spacing[k] - real["spacing_deg"][k],
                allowance + edge_deg,
                spacing[k] - truth["spacing_deg"][k],
                u,
                counts=k == pick and lobes > 1,
            )
        )
    if lobes > 1:
        interval = np.roll(_numbers(result, "spacing", "interval_error_deg", lobes), turn)
        for k in range(lobes):
            out.append(
                Figure(
                    "interval",
                    interval[k] - real["interval_deg"][k],
                    1.5 * allowance + 2 * edge_deg,
                    interval[k] - truth["interval_deg"][k],
                    None,
                    counts=False,
                )
            )
    # Some few revolutions need not give a scatter, if the result says so.
    if least >= 10 or (result.get("scatter") or {}).get("deg") is not None:
        scatter = float(_numbers(result, "scatter", "deg")[0])
        out.append(
            Figure(
                "scatter",
                scatter - real["scatter_deg"],
                0.01 * max(1.0, 1e5 / c.rate_hz)
                + 1.5 * c.scatter_deg / np.sqrt(real["openings"]) * min(1.0, 10 / least),
                scatter - truth["scatter_deg"],
                float(_numbers(result, "scatter", "u_deg")[0]),
            )
        )
    guarded = c.encoder == "none"
    return [replace(f, guarded=guarded) for f in out]


def figures_without_angle(result: Mapping[str, Any], truth: Mapping[str, Any]) -> list[Figure]:
    """The figures that neither index nor encoder leave: dwell percent and relative spacing.

    Their error is what a steady drive gives; a figure in degrees of the shaft must not be there.
    """
    if (result.get("dwell") or {}).get("mean_deg") is not None:
        raise LackingError("dwell.mean_deg is given where nothing tells the angle")
    percent = float(_numbers(result, "dwell", "percent")[0])
    u = float(_numbers(result, "dwell", "u_percent")[0])
    real, c = truth["realized"], truth["conditions"]
    to_percent = truth["lobes"] / 3.6
    allowance = allowance_deg(c.rate_hz) + 2.5 * c.scatter_deg / real["least_per_lobe"]
    return [
        Figure(
            "dwell percent",
            percent - real["dwell_mean_deg"] * to_percent,
            allowance * to_percent,
            percent - truth["dwell_percent"],
            u,
        )
    ]


def wrong_decisions(result: Mapping[str, Any], truth: Mapping[str, Any]) -> list[str]:
    """Decisions that the distributor's own figures contradict by more than the stated U.

    A pass or fail with the true value a little beyond the limit happens in some of a hundred honest
    cases; with the true value beyond it by U it takes an error of 2 U.
    """
    own = {
        "dwell.mean_deg": truth["dwell_mean_deg"],
        "scatter.deg": truth["scatter_deg"],
        "spacing.error_deg": float(np.abs(truth["spacing_deg"]).max()),
        "spacing.interval_error_deg": float(np.abs(truth["interval_deg"]).max()),
    }
    said = []
    for d in result.get("decisions") or []:
        value = own.get(d["what"])
        if value is None or d["decision"] not in ("pass", "fail"):
            continue
        low = -np.inf if d["low"] is None else d["low"]
        high = np.inf if d["high"] is None else d["high"]
        u = d["u"] or 0.0
        outside = value < low - u or value > high + u
        inside = low + u <= value <= high - u
        if (outside and d["decision"] == "pass") or (inside and d["decision"] == "fail"):
            said.append(
                f"{d['what']} {d['decision']}: true {value:.4f}, said {d['value']} +- {d['u']}"
            )
    return said


def band(n: int, level: float = 0.999, share: float = 0.9545) -> tuple[int, int]:
    """Covered cases of ``n`` that an honest 95.45 % gives with probability ``level``."""
    low, high = stats.binom.interval(level, n, share)
    return int(low), int(high)


def coverage(figs: Iterable[Figure], level: float = 0.999) -> str:
    """What lies outside the band that an honest U gives; empty where all is well."""
    figs, said = list(figs), []
    for quantity in ("dwell mean", "dwell per lobe", "spacing", "scatter"):
        for guarded in (False, True):
            once = [
                f
                for f in figs
                if f.quantity == quantity and f.counts and f.u is not None and f.guarded == guarded
            ]
            if not once:
                continue
            low, high = band(len(once), level)
            high = len(once) if guarded else high
            inside = sum(f.covered for f in once)
            if not low <= inside <= high:
                told = "index only" if guarded else "encoder"
                said.append(f"{quantity}, {told}: {inside} of {len(once)}, not {low}..{high}")
    return "\n".join(said)


def table(figs: Iterable[Figure]) -> str:
    """Quantity, cases, worst error, 95th percentile, allowance, coverage."""
    by: dict[str, list[Figure]] = defaultdict(list)
    for f in figs:
        by[f.quantity].append(f)
    rows = [
        f"{'quantity':16}{'cases':>7}{'worst':>9}{'95 %':>9}{'allowed':>16}{'over':>6}"
        f"{'covered':>12}{'band':>12}{'median U':>10}"
    ]
    for name, all_ in by.items():
        errors = np.abs([f.error for f in all_ if f.error is not None])
        limits = [f.allowance for f in all_]
        once = [f for f in all_ if f.counts and f.u is not None]
        inside = sum(f.covered for f in once)
        low, high = band(len(once)) if once else (0, 0)
        worst = f"{errors.max():9.4f}{np.quantile(errors, 0.95):9.4f}" if errors.size else " " * 18
        rows.append(
            f"{name:16}{len(all_):7}{worst}"
            f"{min(limits):8.3f}{max(limits):8.3f}{sum(not f.good for f in all_):6}"
            f"{inside:6}/{len(once):<5}{low:6}..{high:<5}"
            f"{np.median([f.u for f in once]) if once else np.nan:9.4f}"
        )
    return "\n".join(rows)
