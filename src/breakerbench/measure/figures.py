"""From the sums of a run to dwell, spacing, scatter and speed, each with its expanded uncertainty.

The budget, line by line, with the reason for each line, stands in DEVELOPERS.md. In short: what
varies from revolution to revolution is judged from the revolutions themselves (type A); what stays
the same all through the run (sampling locked to the speed, delay asymmetry, the condenser's rise, the
encoder's disc, ripple that an index cannot see) is added from what is known of it (type B).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.events import Instrument
from breakerbench.measure.timing import BIN_RPM, Timing
from breakerbench.measure.uncertainty import (
    COVERAGE,
    Component,
    coverage_factor,
    effective_dof,
    rectangular,
)

Floats = NDArray[np.float64]

#: Fewest revolutions of a speed bin that is reported and enters the variation.
BIN_REVOLUTIONS = 10
#: Ripple that a drive may have without any sign of it in the trace, half-width, share of the speed.
#: From memory: a geared motor under light load turns evenly to about a thousandth.
UNSEEN_RIPPLE = 0.0005
#: The same for one lobe, whose openings and closings have nothing to be compared with, and for ripple
#: of as many cycles as lobes, which is alike for all of them.
UNSEEN_RIPPLE_ONE_LOBE = 0.005
UNSEEN_RIPPLE_AT_LOBES = 0.005
#: No drive that one would bolt to a bench ripples more than this; a larger pattern is the cam's.
MOST_RIPPLE = 0.03


def expanded(components: list[Component], coverage: float = COVERAGE) -> float:
    """Expanded uncertainty of independent components: k u_c, k by the effective dof (GUM G.4)."""
    u = float(np.sqrt(sum(c.u**2 for c in components)))
    if u == 0.0:
        return 0.0
    return float(coverage_factor(effective_dof(components), coverage)) * u


def speed_figures(t: Timing) -> dict[str, Any]:
    return {
        "min_rpm": t.least_rpm,
        "max_rpm": t.most_rpm,
        "revolutions": t.revolutions,
    }


def lobe_order(t: Timing) -> NDArray[np.int64]:
    """The lobes from lobe 1 on: the first to open after angle 0 at the lowest speed."""
    b = t.bins
    lowest = int(np.flatnonzero(b.n)[0])
    phase = b.phase[lowest] / b.n[lowest]
    error = b.error[lowest] / b.n[lowest]
    place = (phase + t.nominal + error) % 360.0
    # An opening that stands on the index to within its own noise counts as after it.
    place = np.where(place > 359.9, place - 360.0, place)
    return np.roll(np.arange(t.lobes), -int(np.argmin(place)))


@dataclass(frozen=True, slots=True)
class Within:
    """Mean of each column and its variance within speed bins, from n values with dof."""

    mean: Floats
    variance: Floats
    n: Floats
    dof: Floats


def _within(n: Floats, total: Floats, square: Floats) -> Within:
    """Pool the bins: means over all revolutions, variance about each bin's own mean.

    n, total, square  (bins,) or (bins, columns); a column without values gets nan
    """
    total = total.reshape(len(total), -1)
    square = square.reshape(total.shape)
    n = np.broadcast_to(n.reshape(len(n), -1), total.shape)
    count = n.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = total.sum(axis=0) / count
        inside = (square - np.where(n > 0, total**2 / n, 0.0)).sum(axis=0)
        dof = count - (n > 0).sum(axis=0)
        # A quick sweep: hardly two revolutions share a bin. The change with speed then counts too.
        few = dof < 5
        inside = np.where(few, square.sum(axis=0) - count * mean**2, inside)
        dof = np.maximum(np.where(few, count - 1, dof), 1.0)
        return Within(mean, np.maximum(inside, 0.0) / dof, count, dof)


def _inflation(steps: Floats, variance: float) -> float:
    """Factor on the variance of a mean for neighbours that go together (first-order correlation).

    Von Neumann's ratio gives the correlation of neighbours; only a significant one counts.
    """
    pairs, square = float(steps[0]), float(steps[1])
    if pairs < 10 or variance <= 0.0:
        return 1.0
    rho = 1.0 - square / pairs / (2.0 * variance)
    if rho < 2.5 / np.sqrt(pairs):
        return 1.0
    rho = min(rho, 0.95)
    return (1.0 + rho) / (1.0 - rho)


def hidden_pattern(t: Timing, error: Floats, dwell: Floats, phase: float) -> Floats:
    """The part of the pattern of openings and closings that ripple of the drive could have made.

    error, dwell  (lobes,) spacing error and dwell of each lobe, deg, in the order of ``t.nominal``

    A slow wave (up to three a revolution) is fitted to the apparent errors of all openings and
    closings. With an index alone, a wave locked to the shaft cannot be told from errors of the cam.
    Returns (2 lobes,) the wave at the openings, then at the closings; limited to MOST_RIPPLE.
    """
    n = t.lobes
    known = np.isfinite(dwell)
    if not known.any():
        return np.zeros(2 * n)
    dwell = np.where(known, dwell, dwell[known].mean())
    opening = phase + t.nominal + error
    closing = opening - dwell
    at = np.deg2rad(np.concatenate([opening, closing]))
    seen = np.concatenate([error, error - (dwell - dwell.mean())])
    orders = [k for k in (1, 2, 3) if 2 * k < 2 * n and k != n]
    if not orders:
        return np.zeros(2 * n)
    columns = [np.ones(2 * n)]
    for k in orders:
        columns += [np.cos(k * at), np.sin(k * at)]
    design = np.stack(columns, axis=1)
    answer = np.linalg.lstsq(design, seen, rcond=None)[0]
    wave = np.zeros(2 * n)
    for i, k in enumerate(orders):
        a, b = answer[1 + 2 * i], answer[2 + 2 * i]
        most = MOST_RIPPLE / k * 180.0 / np.pi
        scale = min(1.0, most / max(float(np.hypot(a, b)), 1e-12))
        wave += scale * (a * np.cos(k * at) + b * np.sin(k * at))
    return wave


@dataclass(frozen=True, slots=True)
class Summary:
    """Everything that the figures share, computed once."""

    order: NDArray[np.int64]
    omega_deg_s: float
    dwell: Within
    mean: Within
    error: Within
    u_open_deg: float
    placement_deg: float
    wave_open: Floats
    wave_dwell: Floats
    unseen_deg: float
    at_lobes_deg: float


def summarize(t: Timing, tool: Instrument) -> Summary:
    b = t.bins
    count = float(b.n.sum())
    omega = float(b.rpm.sum()) / count * 6.0
    dwell = _within(b.n_dwell, b.dwell, b.dwell2)
    mean = _within(b.n_mean, b.mean, b.mean2)
    error = _within(b.n, b.error, b.error2)
    phase = float(b.phase.sum()) / count
    wave_open, wave_dwell, unseen = np.zeros(t.lobes), np.zeros(t.lobes), 0.0
    at_lobes = 0.0
    if tool.index_only:
        reference = t.reference_deg or 0.0
        wave = hidden_pattern(t, error.mean, dwell.mean + reference, phase)
        wave_open = wave[: t.lobes]
        wave_dwell = wave[: t.lobes] - wave[t.lobes :]
        share = UNSEEN_RIPPLE if t.lobes > 1 else UNSEEN_RIPPLE_ONE_LOBE
        unseen = rectangular(share * 180.0 / np.pi)
        at_lobes = unseen if t.lobes == 1 else _ripple_at_lobes(t, float(mean.mean[0]) + reference)
    return Summary(
        order=lobe_order(t),
        omega_deg_s=omega,
        dwell=dwell,
        mean=mean,
        error=error,
        u_open_deg=float(np.sqrt(b.u_open2.sum() / count)) * omega,
        placement_deg=float(np.sqrt((b.u_open2.sum() + b.u_touch2.sum()) / count)) * omega,
        wave_open=wave_open,
        wave_dwell=wave_dwell,
        unseen_deg=unseen,
        at_lobes_deg=at_lobes,
    )


def _ripple_at_lobes(t: Timing, dwell_deg: float) -> float:
    """Standard uncertainty of the mean dwell by ripple that has as many cycles as there are lobes.

    It moves all openings alike and all closings alike, so nothing in the trace shows it; and the
    rubbing block itself brakes the shaft that often. deg; 0 where the dwell is not known
    """
    swing = UNSEEN_RIPPLE_AT_LOBES / t.lobes * 180.0 / np.pi
    lag = np.deg2rad(0.5 * t.lobes * dwell_deg)
    return rectangular(2.0 * swing * abs(float(np.sin(lag)))) if np.isfinite(lag) else 0.0


def locked(tool: Instrument, s: Summary, u_placement: float, variance: float) -> float:
    """What placement errors leave in a mean when sampling is locked to the speed.

    If the edges move by less than the placement error from revolution to revolution, these errors
    do not average out; nor if the drive keeps step with the sample clock (``tool.lock`` near 1) and
    the edges move by less than a sample.
    """
    still = float(np.sqrt(max(u_placement**2 - variance, 0.0)))
    sample_deg = s.omega_deg_s * tool.sample_s
    blur = float(np.exp(-2.0 * np.pi**2 * variance / max(sample_deg, 1e-12) ** 2))
    return max(still, tool.lock * blur * u_placement)


def _fixed(tool: Instrument, s: Summary, edges: float) -> list[Component]:
    """Type B lines common to dwell figures: delay asymmetry, edge shape, the encoder's disc."""
    return [
        Component("delay asymmetry", tool.u_delay_s * s.omega_deg_s),
        Component("shape of the edges", tool.u_shape_s * s.omega_deg_s),
        Component("encoder disc", tool.u_encoder_deg * np.sqrt(edges)),
    ]


def mean_dwell_budget(
    t: Timing, tool: Instrument, s: Summary, variance: float, n: float, dof: float
) -> list[Component]:
    """Budget of the dwell averaged over the lobes, from n revolutions with a given variance.

    Slow ripple adds to one lobe's dwell what it takes from another's: it cancels in the mean, but
    for ripple of as many cycles as lobes.
    """
    inflation = _inflation(t.dwell_steps, float(s.mean.variance[0]))
    return [
        Component("repeatability", float(np.sqrt(variance * inflation / n)), max(dof, 1.0)),
        Component(
            "sampling locked to the speed",
            locked(tool, s, s.placement_deg / float(np.sqrt(t.lobes)), variance),
        ),
        Component("ripple without a trace", s.at_lobes_deg),
        *_fixed(tool, s, 2.0 / t.lobes),
    ]


def _unseen(t: Timing, s: Summary) -> float:
    """Ripple without a trace, slow and at the lobes; for one lobe these are the same."""
    return s.unseen_deg if t.lobes == 1 else float(np.hypot(s.unseen_deg, s.at_lobes_deg))


def lobe_dwell_budget(
    t: Timing, tool: Instrument, s: Summary, variance: float, n: float, dof: float
) -> list[Component]:
    """Budget of one lobe's dwell, from n revolutions with a given variance."""
    inflation = _inflation(t.dwell_steps, float(s.mean.variance[0]))
    return [
        Component("repeatability", float(np.sqrt(variance * inflation / n)), max(dof, 1.0)),
        Component("sampling locked to the speed", locked(tool, s, s.placement_deg, variance)),
        Component(
            "ripple the index cannot see",
            rectangular(float(np.abs(s.wave_dwell).max(initial=0.0))),
        ),
        Component("ripple without a trace", _unseen(t, s)),
        *_fixed(tool, s, 2.0),
    ]


def _lobes_at(t: Timing, tool: Instrument, s: Summary, k: int) -> dict[str, list[float | None]]:
    """Dwell of each lobe in speed bin ``k``; None of fewer than BIN_REVOLUTIONS dwells."""
    values: list[float | None] = []
    us: list[float | None] = []
    b = t.bins
    for lobe in s.order.tolist():
        n = float(b.n_dwell[k, lobe])
        value = u = None
        if n >= BIN_REVOLUTIONS:
            mean = float(b.dwell[k, lobe]) / n
            variance = max(float(b.dwell2[k, lobe]) / n - mean**2, 0.0) * n / (n - 1.0)
            value = mean + (t.reference_deg or 0.0)
            u = expanded(lobe_dwell_budget(t, tool, s, variance, n, n - 1.0))
        values.append(value)
        us.append(u)
    return {"per_lobe_deg": values, "u_per_lobe_deg": us}


def dwell_figures(t: Timing, tool: Instrument, s: Summary) -> dict[str, Any]:
    pitch = 360.0 / t.lobes
    reference = t.reference_deg or 0.0
    per_lobe: list[float | None] = []
    u_per_lobe: list[float | None] = []
    for lobe in s.order.tolist():
        seen = float(s.dwell.n[lobe]) > 1.0
        per_lobe.append(float(s.dwell.mean[lobe]) + reference if seen else None)
        spread = (float(each[lobe]) for each in (s.dwell.variance, s.dwell.n, s.dwell.dof))
        u_per_lobe.append(expanded(lobe_dwell_budget(t, tool, s, *spread)) if seen else None)
    whole = float(s.mean.n[0])
    mean = u_mean = None
    if whole > 1.0:
        mean = float(s.mean.mean[0]) + reference
        variance, dof = float(s.mean.variance[0]), float(s.mean.dof[0])
        u_mean = expanded(mean_dwell_budget(t, tool, s, variance, whole, dof))
    elif None not in per_lobe:
        # No revolution shows every lobe: each lobe's own mean has to do.
        mean = float(np.mean([v for v in per_lobe if v is not None]))
        u_mean = float(np.sqrt(sum(u**2 for u in u_per_lobe if u is not None))) / t.lobes
    by_speed: list[dict[str, Any]] = []
    b = t.bins
    for k in np.flatnonzero(b.n_mean >= BIN_REVOLUTIONS):
        n = float(b.n_mean[k])
        value = float(b.mean[k]) / n
        variance = max(float(b.mean2[k]) / n - value**2, 0.0) * n / (n - 1.0)
        by_speed.append(
            {
                "rpm": float(b.rpm[k]) / float(b.n[k]),
                "deg": value + reference,
                "u_deg": expanded(mean_dwell_budget(t, tool, s, variance, n, n - 1.0)),
                **_lobes_at(t, tool, s, int(k)),
            }
        )
    figures: dict[str, Any] = {
        "mean_deg": mean,
        "u_deg": u_mean,
        "percent": None if mean is None else 100.0 * mean / pitch,
        "u_percent": None if u_mean is None else 100.0 * u_mean / pitch,
        "per_lobe_deg": per_lobe,
        "u_per_lobe_deg": u_per_lobe,
        "variation_deg": None,
        "u_variation_deg": None,
        "by_speed": by_speed,
        # What an averaging meter would show: it counts bounce as open.
        "meter_deg": None if mean is None else mean - float(b.lost.sum()) / max(whole, 1.0),
    }
    speeds = [row["rpm"] for row in by_speed]
    # One speed at the edge of two bins fills both: that is no variation over speed.
    if speeds and speeds[-1] - speeds[0] >= BIN_RPM:
        high = max(by_speed, key=lambda row: row["deg"])
        low = min(by_speed, key=lambda row: row["deg"])
        figures["variation_deg"] = high["deg"] - low["deg"]
        figures["u_variation_deg"] = float(np.hypot(high["u_deg"], low["u_deg"]))
    return figures


def spacing_figures(t: Timing, tool: Instrument, s: Summary) -> dict[str, Any]:
    n = t.lobes
    error = s.error.mean[s.order]
    interval = np.diff(np.append(error, error[0]))
    figures: dict[str, Any] = {"error_deg": error.tolist(), "interval_error_deg": interval.tolist()}
    if n == 1:
        return figures | {"u_deg": 0.0, "u_interval_deg": 0.0}
    # One figure serves all lobes; where one lobe is plainly rougher than the rest, its own.
    variance, dof = float(s.error.variance.mean()), float(s.error.dof[0])
    roughest = float(s.error.variance.max())
    if roughest > variance * (1.0 + 6.0 / np.sqrt(dof)):
        variance = roughest
    # Taking off the revolution's own mean has shrunk each lobe's scatter by this.
    own = n / (n - 1.0)
    inflation = _inflation(t.error_steps, float(s.error.variance.mean()))
    u = float(np.sqrt(variance * inflation / float(s.error.n[0])))
    fixed = [
        Component("encoder disc", tool.u_encoder_deg),
        Component(
            "ripple the index cannot see", rectangular(float(np.abs(s.wave_open).max(initial=0.0)))
        ),
        Component("ripple without a trace", s.unseen_deg),
        Component("sampling locked to the speed", locked(tool, s, s.u_open_deg, variance * own)),
    ]
    both = [Component(c.name, c.u * float(np.sqrt(2.0))) for c in fixed]
    dof *= n - 1
    figures["u_deg"] = expanded([Component("repeatability", u, dof), *fixed])
    figures["u_interval_deg"] = expanded(
        [Component("repeatability", u * float(np.sqrt(2.0 * own)), dof), *both]
    )
    return figures
