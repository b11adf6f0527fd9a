"""Capacitance, leakage and series resistance of a condenser, each with its expanded uncertainty.

With R the resistor, g all that lies across the clamps (leakage and instrument), r in series:

    charge   tau_c = C (R / (1 + g R) + r)
    hold     tau_h = C (1 / g + r)
    end of the charge   V = E / (1 + g R)

(Thevenin's theorem). A hold gives g; without one the end of the charge gives it against the supply, if
both are known well enough; without that it is taken for small, and what that may cost is in the
uncertainty. Gain and zero of the channel fall out of both time constants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from breakerbench.measure.condenser_fit import joined
from breakerbench.measure.condenser_found import Found
from breakerbench.measure.condenser_words import (
    Reasons,
    no_charge,
    no_hold,
    probe_not_told,
    small_series,
    too_little_leakage,
)
from breakerbench.measure.figures import expanded
from breakerbench.measure.uncertainty import Component, Estimate, rectangular
from breakerbench.trace import Header

#: Limits of what nobody stated, share: gains, supply, resistor. Common practice, no source.
UNTOLD = 0.01
U_UNTOLD = rectangular(UNTOLD)
#: Limits of the resistance of an instrument that was told, share; from memory.
U_PROBE = rectangular(0.02)
#: Of the sample clock: a crystal with its temperature and age; from memory.
U_CLOCK = rectangular(100e-6)
#: What clip leads and instrument add to the condenser, at most; from memory.
STRAY_F = 100e-12
#: Series resistance that a condenser in order may have, at most; from memory.
USUAL_SERIES_OHM = 1.0
#: A series resistance is one from so many times its standard uncertainty on.
PLAIN = 4.0
#: Leakage resistance of what is not held, at least, in charging resistors; common practice, no source.
USUAL_LEAKAGE = 50.0
#: Below this a condenser is called leaky where no specification says; common practice, no source.
LEAKY_OHM = 1e6

OPEN, SHORTED, LEAKY = "open", "shorted", "leaky"


def empty_condenser() -> dict[str, Any]:
    return dict.fromkeys((
        "capacitance_f", "u_capacitance_f", "leakage_ohm", "u_leakage_ohm", "leakage_at_least_ohm",
        "series_ohm", "u_series_ohm", "test_v", "state", "tau_s", "u_tau_s", "charges",
        "hold_tau_s", "capacitance_at_most_f",
    ))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Across:
    """What lies across the clamps as a share g R of the charging circuit.

    share, u  and standard uncertainty;  known: it was measured, and not taken for small
    """

    share: float
    u: float
    dof: float
    known: bool
    held: bool = False


def condenser_figures(
    found: Found, header: Header
) -> tuple[dict[str, Any], dict[str, str], list[str], list[str]]:
    """The table of the contract, the reasons by key, notes, warnings."""
    table, said = empty_condenser(), Reasons()
    table["charges"] = len(found.charges)
    supply = _supply(found, header)
    if not found.charges:
        table["state"], table["capacitance_at_most_f"] = no_charge(found, header, supply, said)
        return table, said.why, said.notes, said.warnings
    tau = joined(
        np.array([c.tau_s for c in found.charges]),
        np.array([c.u_tau_s for c in found.charges]),
        np.array([c.dof for c in found.charges]),
    ).estimate
    end = _end_of_charge(found)
    table["tau_s"] = tau.value
    table["u_tau_s"] = expanded([tau.component("charges"), Component("clock", U_CLOCK * tau.value)])
    table["test_v"] = end.value
    said.about_charges(found, header)
    said.about_supply(end, supply, found, header)
    if header.supply_v == 0.0:
        said.everything(
            f"the supply is told as 0 V, yet the condenser charges to {end.value:.4g} V: tell the "
            "right one with --supply-v, or leave it out"
        )
        return (
            empty_condenser() | {"charges": table["charges"]},
            said.why,
            said.notes,
            said.warnings,
        )
    hold = _hold(found)
    if not header.series_ohm or header.series_ohm <= 0.0:
        said.no_resistor(tau.value)
        return table, said.why, said.notes, said.warnings
    across = _across(tau, hold, end, supply, header, said)
    table["hold_tau_s"] = hold.value if hold is not None and across.held else None
    series = _series(table, found, header.series_ohm, across, said)
    c, u_rel, dof = _capacitance(table, tau, found, header, across, series)
    table["capacitance_f"] = c
    _leakage(table, c, u_rel, dof, hold, across, header, said)
    leakage, u = table["leakage_ohm"], table["u_leakage_ohm"]
    if leakage is not None and leakage + u < LEAKY_OHM:
        table["state"] = LEAKY
    said.about_voltage(end.value)
    return table, said.why, said.notes, said.warnings


def _supply(found: Found, header: Header) -> Estimate | None:
    """Voltage of the feed: of its channel, else as told; None where neither says."""
    place = header.position("supply_v")
    if found.supply_v is not None and place is not None:
        channel = header.channels[place]
        u = found.supply_v * (U_UNTOLD if channel.u_gain is None else channel.u_gain)
        return Estimate(found.supply_v, math.hypot(u, channel.u_zero or 0.0), math.inf)
    if header.supply_v:
        u_share = U_UNTOLD if header.u_supply_share is None else header.u_supply_share
        return Estimate(abs(header.supply_v), u_share * abs(header.supply_v), math.inf)
    return None


def _end_of_charge(found: Found) -> Estimate:
    """What the charges rise to, above the empty condenser, V; gain not in its uncertainty."""
    each = joined(
        np.array([c.asymptote_v for c in found.charges]),
        np.array([c.u_asymptote_v for c in found.charges]),
        np.array([c.dof for c in found.charges]),
    ).estimate
    zero, u = found.zero
    return Estimate(each.value - zero, math.hypot(each.u, u), each.dof)


def _hold(found: Found) -> Estimate | None:
    if not found.holds:
        return None
    return joined(
        np.array([h.tau_s for h in found.holds]),
        np.array([h.u_tau_s for h in found.holds]),
        np.array([h.dof for h in found.holds]),
    ).estimate


def _across(
    tau: Estimate,
    hold: Estimate | None,
    end: Estimate,
    supply: Estimate | None,
    header: Header,
    said: Reasons,
) -> _Across:
    """g R: from the hold, from the end of the charge, or taken for small."""
    assert header.series_ohm is not None
    missing = _missing(end, supply, header)
    if missing is not None and missing.value < -3.0 * missing.u:
        missing = None  # above the supply: one of them is wrong, which is said where it is much
    if hold is not None:
        ratio = tau.value / hold.value
        share = ratio / (1.0 - ratio)  # 1 / tau_c = 1 / (R C) + 1 / tau_h
        u = share / (1.0 - ratio) * math.hypot(tau.u / tau.value, hold.u / hold.value)
        at_end = share / (1.0 + share)
        if missing is not None and at_end > 3.0 * (missing.u + u) + missing.value:
            said.not_a_hold(hold.value)
        else:
            if missing is not None and missing.value > at_end + 3.0 * (missing.u + u):
                said.supply_does_not_fit(missing.value, at_end)
            return _Across(share, u, hold.dof, known=True, held=True)
    probe = header.series_ohm / header.probe_ohm if header.probe_ohm else 0.0
    if missing is not None and missing.value > 2.0 * missing.u:
        share = missing.value / (1.0 - missing.value)
        return _Across(share, missing.u / (1.0 - missing.value) ** 2, missing.dof, known=True)
    most = 1.0 / USUAL_LEAKAGE
    if missing is not None:
        most = min(most, max(missing.value, 0.0) + 2.0 * missing.u)
    said.taken_for_small(most, header.series_ohm, supply is not None)
    return _Across(probe, rectangular(max(most - probe, 0.0)), math.inf, known=False)


def _missing(end: Estimate, supply: Estimate | None, header: Header) -> Estimate | None:
    """By how much the charge ends short of the supply, share of it."""
    if supply is None or supply.value <= 0.0:
        return None
    row = header.condenser_row
    gain = header.channels[row].u_gain if row is not None else None
    ratio = end.value / supply.value
    u = math.hypot(
        U_UNTOLD if gain is None else gain, supply.u / supply.value, end.u / end.value
    )  # fmt: skip
    return Estimate(1.0 - ratio, ratio * u, math.inf)


def _series(
    table: dict[str, Any], found: Found, resistor: float, across: _Across, said: Reasons
) -> Estimate:
    """Series resistance for the capacitance: measured, or what is usual; the table only if it shows."""
    fed = resistor / (1.0 + across.share)
    usual = Estimate(0.5 * USUAL_SERIES_OHM, rectangular(0.5 * USUAL_SERIES_OHM), math.inf)
    if found.step is None:
        said.why["condenser.series_ohm"] = small_series(None, resistor)
        return usual
    value = fed * found.step.share / (1.0 - found.step.share)
    u = fed * found.step.u_share / (1.0 - found.step.share) ** 2
    if value > PLAIN * u:
        table["series_ohm"], table["u_series_ohm"] = value, 2.0 * u
        return Estimate(value, u, math.inf)
    said.why["condenser.series_ohm"] = small_series(max(value, 0.0) + 2.0 * u, resistor)
    if value > max(2.0 * u, USUAL_SERIES_OHM):  # it may be there, or not
        return Estimate(0.5 * value, rectangular(0.5 * value), math.inf)
    return usual


def _capacitance(
    table: dict[str, Any],
    tau: Estimate,
    found: Found,
    header: Header,
    across: _Across,
    series: Estimate,
) -> tuple[float, float, float]:
    """C, its relative standard uncertainty and degrees of freedom; U into the table."""
    resistor = header.series_ohm
    assert resistor is not None
    fed = resistor / (1.0 + across.share)
    c = tau.value / (fed + series.value)
    u_r = U_UNTOLD if header.u_series_share is None else header.u_series_share
    parts = [
        Component("charges", tau.u / tau.value * c, tau.dof),
        Component("resistor", u_r * c),
        Component("across the clamps", across.u / (1.0 + across.share) * c, across.dof),
        Component("series resistance", series.u / fed * c),
        Component("front end", max(x.lag_moves for x in found.charges) * c),
        Component("sample clock", U_CLOCK * c),
        Component("leads", rectangular(STRAY_F)),
    ]
    table["u_capacitance_f"] = expanded(parts)
    u = math.hypot(*(part.u for part in parts))
    return c, u / c, tau.dof


def _leakage(
    table: dict[str, Any],
    c: float,
    u_rel: float,
    dof: float,
    hold: Estimate | None,
    across: _Across,
    header: Header,
    said: Reasons,
) -> None:
    """Leakage from all that lies across, the instrument's own resistance taken off."""
    key, resistor = "condenser.leakage_ohm", header.series_ohm
    assert resistor is not None
    probe = 1.0 / header.probe_ohm if header.probe_ohm else 0.0
    if across.held:
        assert hold is not None
        total = c / hold.value
        parts = [
            Component("capacitance", u_rel * total, dof),
            Component("hold", hold.u / hold.value * total, hold.dof),
        ]
    else:
        total = across.share / resistor
        parts = [Component("end of the charge", across.u / resistor)]
    parts.append(Component("instrument", U_PROBE * probe))
    u = expanded(parts)
    if not across.known:
        # across.u is that of a rectangle: its end is the most that may be across
        most = math.sqrt(3.0) * across.u / resistor
        table["leakage_at_least_ohm"] = 1.0 / most if most > 0.0 and said.supply_known else None
        said.why[key] = no_hold(table["leakage_at_least_ohm"])
        return
    g = total - probe
    table["leakage_at_least_ohm"] = 1.0 / (max(g, 0.0) + u)
    if not header.probe_ohm and across.held:
        said.why[key] = probe_not_told(1.0 / total)
        return
    if g <= 2.0 * u:
        said.why[key] = too_little_leakage(table["leakage_at_least_ohm"], across.held)
        return
    table["leakage_ohm"] = 1.0 / g
    table["u_leakage_ohm"] = 1.0 / (g - u) - 1.0 / g
