"""The electrical tables of a result: contact, coil and feed, from the closed times of a trace."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.judge.rules import BIN_RPM, COPPER_PER_K
from breakerbench.measure.closed_sums import Figure
from breakerbench.measure.closings import AtOpening, Closed, Closings
from breakerbench.measure.coil import (
    CLIPPED_SHARE,
    CoilFigures,
    at_the_opening,
    burns_on,
    coil_figures,
)
from breakerbench.measure.contact import U_FILM_V, contact_figures
from breakerbench.measure.feed import UNSETTLED, Zeros, nonsense, swing_v, u_gain, u_zero, zeros_of
from breakerbench.measure.intervals import Intervals
from breakerbench.measure.uncertainty import Component, Estimate, effective_dof
from breakerbench.result.empty import empty_coil, empty_contact, empty_supply
from breakerbench.trace import Header

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Table = dict[str, Any]

#: Limits of the error of a temperature that a person tells, K; common practice, no source.
TOLD_TEMPERATURE_K = 2.0
#: Openings of the slowest speeds: their time from one to the next lies about the longest ones'.
LONG_QUANTILE, ABOUT = 0.9, 1.15
#: Openings that let a speed bin count.
BIN_OPENINGS = 10

DRY = "a dry feed: there is no coil in the circuit"
NO_CURRENT_CHANNEL = "no current_a channel"
NO_FEED_CHANNEL = (
    "no supply_v channel: the coil cannot be told from what lies in its feed. Record supply_v at the "
    "coil's feed terminal, or tell --series-ohm, the ohms in the feed (leads alone: 0.05)"
)
NO_FEED_SEEN = (
    "no current_a or supply_v channel: a spark that burns until the points close cannot be told from "
    "the feed"
)
NOT_TOLD_WARM = "the coil's temperature was not told (--temperature-c)"
CLIPPED = "the current stands at the end of its channel's range: take a larger range"
ASSUMED = (
    "The scale of {} is taken to be true within 1 percent, as nobody told better (--accuracy "
    "NAME=PERCENT)."
)


def electrical_tables(
    closings: Closings,
    intervals: Intervals,
    header: Header,
    coil: bool,
    lobes: int | None,
    why: dict[str, str],
    no_edges: str,
) -> tuple[dict[str, Table], list[str]]:
    """The tables ``contact``, ``coil`` and ``supply`` (without its polarity), and notes.

    coil   the points switch a coil; lobes: of the cam, None where they are not known
    no_edges  why no contact was found; empty where some were
    """
    tables = {"contact": empty_contact(), "coil": empty_coil(), "supply": empty_supply()}
    closed, at = closings.closed(), closings.at_opening()

    def refuse(reason: str) -> tuple[dict[str, Table], list[str]]:
        for key in ("contact", "coil", "supply.volts"):
            why[key] = reason
        return tables, []

    if not len(closed):
        return refuse(no_edges or "no contact is closed and then open long enough to look into")
    zeros = zeros_of(closed, at, header, coil)
    if isinstance(zeros, str):
        return refuse(zeros)
    reason = nonsense(closed, at, zeros, header) if closings.has_current else ""
    if not reason and closings.has_current:
        samples = float(np.nansum(closed.gram[:, 0, 0]))
        if closed.clipped[:, 0].sum() > CLIPPED_SHARE * samples:
            reason = CLIPPED
    if reason:
        return refuse(reason)
    interval_s = intervals.evened_s(at.number, lobes)
    slow = _slowest(interval_s)
    current = _current(at, zeros, header, slow, closings.has_current)
    told = "supply_v" in closed.names or header.supply_v
    if coil and current and not told and burns_on(closed, zeros, current.value):
        return refuse(UNSETTLED)
    notes = _assumed(header, closed.names) if coil else []
    # Nothing then tells a spark that burns to the next touch from the feed: it stands as still, higher.
    if coil and not told and not closings.has_current:
        return refuse(NO_FEED_SEEN)
    tables["supply"] |= _supply(closed, at, zeros, header, slow, coil, closings.has_current)
    notes += _contact(tables["contact"], closed, at, zeros, header, slow, current, coil, why)
    if not coil or not closings.has_current:
        why["coil"] = DRY if not coil else NO_CURRENT_CHANNEL
        return tables, notes
    notes += _coil(tables["coil"], closed, at, zeros, header, current, interval_s, lobes, why)
    return tables, notes


def _slowest(interval_s: Floats) -> Bools:
    """Openings at the lowest speed of the run; all where no time between two of them is known."""
    known = np.isfinite(interval_s)
    if not known.any():
        return np.ones(len(interval_s), bool)
    long = float(np.quantile(interval_s[known], LONG_QUANTILE))
    rows: Bools = known & (interval_s > long / ABOUT) & (interval_s < long * ABOUT)
    return rows


def _current(at: AtOpening, zeros: Zeros, header: Header, rows: Bools, has_current: bool) -> Figure:
    """Mean current at these openings."""
    if not has_current:
        return Figure(why=NO_CURRENT_CHANNEL)
    found = at_the_opening(at, zeros, rows)
    found = found[np.isfinite(found)]
    if not len(found):
        return Figure(why="the contact is closed too briefly to see its current")
    mean = float(found.mean())
    channel = header.channels[header.position("current_a") or 0]
    parts = [
        Component("scale", u_gain(channel) * mean),
        Component("zero", float(zeros.u[0]), max(zeros.settled - 1.0, 1.0)),
    ]
    if len(found) > 1:
        spread = float(found.std(ddof=1)) / math.sqrt(len(found))
        parts.append(Component("scatter", spread, len(found) - 1.0))
    return _figure(mean, parts)


def _figure(value: float, parts: list[Component]) -> Figure:
    u = math.hypot(*(part.u for part in parts))
    return Figure(value, Estimate(value, u, effective_dof(parts)).U if u > 0 else 0.0)


def _assumed(header: Header, names: tuple[str, ...]) -> list[str]:
    unstated = [c.name for c in header.channels if c.name in names and c.u_gain is None]
    return [ASSUMED.format(" and ".join(unstated))] if unstated else []


# --- contact --------------------------------------------------------------------------------------


def _contact(
    table: Table, closed: Closed, at: AtOpening, zeros: Zeros, header: Header, slow: Bools,
    current: Figure, coil: bool, why: dict[str, str],
) -> list[str]:  # fmt: skip
    """Fills the table; returns notes."""
    place = "contact_v" if "contact_v" in closed.names else "points_v"
    row = closed.names.index(place)
    if closed.clipped[:, row].sum() > CLIPPED_SHARE * float(closed.gram[:, 0, 0].sum()):
        why["contact"] = f"{place} stands at the end of its range while the contact is closed"
        return []
    found = contact_figures(closed, at, zeros, header, slow, current, coil)
    put(table, "drop_v", found.drop_v, "contact", why)
    put(table, "resistance_ohm", found.resistance_ohm, "contact", why)
    put(table, "current_a", current, "contact", why)
    table["spread_v"] = found.spread_v
    if not math.isfinite(found.spread_v):
        why["contact.spread_v"] = (
            f"the noise of {place} hides it: record contact_v, a range of some 2.5 V"
        )
    notes = []
    if found.by_slope:
        notes.append(
            f"The zero of {place} is not known well enough for a drop so small: told is the part of "
            "the drop that grows with the current. A film that holds a voltage of its own does not "
            "show in it; contact_v, a range of some 2.5 V, shows it."
        )
    if found.film_v:
        notes.append(
            f"{1e3 * found.film_v:.0f} mV of the contact drop do not grow with the current: a film or "
            "dirt on the contacts, or the zero of the probe. Short the probe to tell which."
        )
    return notes


# --- feed -----------------------------------------------------------------------------------------


def _supply(
    closed: Closed,
    at: AtOpening,
    zeros: Zeros,
    header: Header,
    slow: Bools,
    coil: bool,
    has_current: bool,
) -> Table:
    """Volts of the feed without current and, at the coil, with the points closed at the opening."""
    channels = {c.name: c for c in header.channels}
    has_feed = "supply_v" in closed.names
    name = "supply_v" if has_feed else "points_v"
    place = closed.names.index(name)
    volts = float(zeros.sign * zeros.zero[place])
    channel = channels[name]
    parts = [
        Component("scale", u_gain(channel) * abs(volts)),
        Component("zero", u_zero(channel, abs(volts))),
        Component("scatter", float(zeros.u[place]), max(zeros.settled - 1.0, 1.0)),
    ]
    open_v = _figure(volts, parts)
    if coil and has_current:
        # By the swing from closed, in which the zero drops out; a film on the contacts does not.
        swing, scatter = swing_v(closed, zeros)
        if math.isfinite(swing):
            parts = [
                Component("scale", u_gain(channels["points_v"]) * swing),
                Component("film", U_FILM_V),
                Component("scatter", scatter),
            ]
            open_v = min(open_v, _figure(swing, parts), key=lambda each: each.u)
            volts = open_v.value
    table: Table = {"volts": open_v.value, "u_volts": open_v.u}
    if has_feed and coil:
        before = np.interp(at.number[slow], closed.number, zeros.course[:, place])
        sag = zeros.sign * (before - at.values[slow, place])
        sag = sag[np.isfinite(sag)]
        if len(sag):
            mean = float(sag.mean())
            parts = [Component("scale", u_gain(channel) * abs(mean))]
            parts.append(Component("zero", float(zeros.u[place])))
            if len(sag) > 1:
                spread = float(sag.std(ddof=1)) / math.sqrt(len(sag))
                parts.append(Component("scatter", spread, len(sag) - 1.0))
            found = _figure(mean, parts)
            table |= {"closed_volts": volts - mean, "sag_v": found.value, "u_sag_v": found.u}
            table["u_closed_volts"] = math.hypot(open_v.u, found.u)
    return table


# --- coil -----------------------------------------------------------------------------------------


def _coil(
    table: Table, closed: Closed, at: AtOpening, zeros: Zeros, header: Header,
    current: Figure, interval_s: Floats, lobes: int | None, why: dict[str, str],
) -> list[str]:  # fmt: skip
    """Fills the table; returns notes."""
    put(table, "current_a", current, "coil", why)
    if not current:
        return []
    found = coil_figures(closed, zeros, header, current.value)
    put(table, "loop_ohm", found.loop_ohm, "coil", why)
    put(table, "inductance_h", found.henry, "coil", why)
    table["residual_a"] = found.residual_a
    notes = []
    ohm = _alone(found, header)
    put(table, "resistance_ohm", ohm, "coil", why)
    if found.feed_ohm is not None:
        put(table, "ballast_ohm", found.feed_ohm, "coil", why)
    else:
        why["coil.ballast_ohm"] = NO_FEED_CHANNEL
    put(table, "resistance_20c_ohm", _cold(ohm, header.temperature_c), "coil", why)
    put(table, "energy_j", energy(found.henry, current), "coil", why)
    _standing(table, found, ohm, swing_v(closed, zeros))
    notes += _saturation(table, found)
    table["by_speed"] = _by_speed(at, zeros, header, interval_s, lobes, found.henry)
    if lobes is None:
        why["coil.by_speed"] = "the lobes are not known: no speed without them"
    return notes


def _alone(found: CoilFigures, header: Header) -> Figure:
    """Resistance of the coil: by its own voltage, or the loop less what was told to lie in the feed."""
    if found.ohm is not None:
        return found.ohm
    told = header.series_ohm
    if told is None or not found.loop_ohm:
        return Figure(why=NO_FEED_CHANNEL if told is None else found.loop_ohm.why)
    value = found.loop_ohm.value - told
    if value <= 0:
        what = f"more ohms were told for the feed ({told:g}) than the loop has altogether"
        return Figure(why=f"{what} ({found.loop_ohm.value:.3g})")
    share = header.u_series_share
    u = 2.0 * told * (0.01 / math.sqrt(3.0) if share is None else share)
    return Figure(value, math.hypot(found.loop_ohm.u, u))


def _cold(ohm: Figure, told_c: float | None) -> Figure:
    """The winding at 20 degrees Celsius."""
    if not ohm:
        return Figure(why=ohm.why)
    if told_c is None:
        return Figure(why=NOT_TOLD_WARM)
    factor = 1.0 + COPPER_PER_K * (told_c - 20.0)
    if factor <= 0.0:
        return Figure(why="copper is not what it is taken for at the temperature that was told")
    u_told = 2.0 * TOLD_TEMPERATURE_K / math.sqrt(3.0) * COPPER_PER_K / factor
    return Figure(ohm.value / factor, math.hypot(ohm.u, u_told * ohm.value) / factor)


def energy(henry: Figure, current: Figure) -> Figure:
    """L i^2 / 2."""
    if not (henry and current):
        return Figure(why=henry.why or current.why)
    value = 0.5 * henry.value * current.value**2
    share = math.hypot(henry.u / henry.value, 2.0 * current.u / current.value)
    return Figure(value, share * value)


def _standing(table: Table, found: CoilFigures, ohm: Figure, swing: tuple[float, float]) -> None:
    """Current and heat in the winding with the ignition on, the engine stopped, the points closed."""
    loop = found.loop_ohm
    if not loop:
        return
    volts, u_volts = swing
    amps = volts / loop.value
    # The scale of the voltage stands in E and in the ohms and drops out; that of the current stays.
    share = math.hypot(loop.u / loop.value, 2.0 * u_volts / volts)
    table["standing_a"], table["u_standing_a"] = amps, share * amps
    if ohm:
        watts = amps**2 * ohm.value
        table["heat_w"] = watts
        table["u_heat_w"] = watts * math.hypot(2.0 * share, ohm.u / ohm.value)


def _saturation(table: Table, found: CoilFigures) -> list[str]:
    fall = found.fall
    table["saturates"] = found.saturates
    if not found.saturates:
        return []
    return [
        f"The inductance falls by {100 * fall.value:.0f} percent up to the current at the opening: the "
        "iron saturates. The inductance told is a mean, and the energy less than it makes."
    ]


def _by_speed(
    at: AtOpening,
    zeros: Zeros,
    header: Header,
    interval_s: Floats,
    lobes: int | None,
    henry: Figure,
) -> list[Table]:
    if not lobes:
        return []
    with np.errstate(divide="ignore", invalid="ignore"):
        rpm = 60.0 / (interval_s * lobes)
    number = np.floor(rpm / BIN_RPM + 0.5)
    rows = []
    for which in np.unique(number[np.isfinite(number)]):
        inside = number == which
        if int(inside.sum()) < BIN_OPENINGS:
            continue
        current = _current(at, zeros, header, inside, has_current=True)
        if not current:
            continue
        stored = energy(henry, current)
        rows.append(
            {
                "rpm": float(rpm[inside].mean()), "current_a": current.value,
                "u_current_a": current.u, "energy_j": stored.value, "u_energy_j": stored.u,
            }
        )  # fmt: skip
    return rows


def put(table: Table, key: str, found: Figure, name: str, why: dict[str, str]) -> None:
    """A figure and its U into the table, or the reason why there is none."""
    table[key] = found.value
    table[f"u_{key}"] = found.u
    if not found and found.why:
        why[f"{name}.{key}"] = found.why
