"""Drop and resistance of the closed contact, and how the drop changes from closing to closing.

The drop is the voltage just before the opening, at the current that then flows. Its zero is that of the
channel, as well as that is known; where it is not, the part of the drop that grows with the current is
told alone, and said. The resistance is the slope of voltage over current as the coil's current rises.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.closed_sums import Figure, scattered, slope_over_current, sums_of
from breakerbench.measure.closings import AtOpening, Closed
from breakerbench.measure.feed import Zeros, u_gain, u_zero
from breakerbench.measure.uncertainty import Component, Estimate, effective_dof
from breakerbench.trace import Header

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A zero known as well as this, standard uncertainty, is taken before the slope, V.
GOOD_ZERO_V = 0.01
#: Standard uncertainty of what a film on the contacts may hold by itself, V; common practice, no source.
U_FILM_V = 0.03
#: Noise of one reading of the drop, V, above which a smaller spread is not told.
NOISY_V = 0.01
#: What of a drop does not grow with the current is said from here on, V; common practice, no source.
FILM_V = 0.02
#: The clamped channel reads to this, V, where no converter tells.
CLAMP_V = 2.5
ONE_CURRENT = (
    "the current stands still while the contact is closed: resistance is the slope of drop over "
    "current, and shows with a coil in the circuit"
)


@dataclass(frozen=True, slots=True)
class ContactFigures:
    """drop_v at ``current_a``; resistance_ohm by the slope; spread_v: standard deviation of the drop.

    film_v  what of the drop does not grow with the current; 0 where it cannot be told or is not clear
    by_slope  the drop is that by the slope: its channel has no good zero
    """

    drop_v: Figure
    resistance_ohm: Figure
    spread_v: float
    film_v: float
    by_slope: bool


def contact_figures(
    closed: Closed,
    at: AtOpening,
    zeros: Zeros,
    header: Header,
    rows: Bools,
    current: Figure,
    coil: bool,
) -> ContactFigures:
    """Figures of the contact over the openings ``rows`` (of ``at``), at the current they have."""
    name = "contact_v" if "contact_v" in closed.names else "points_v"
    place = closed.names.index(name)
    channel = header.channels[header.position(name) or 0]
    volts = zeros.sign * at.values[rows, place]
    volts = volts[np.isfinite(volts)]
    noise = float(np.nanmedian(closed.noise[:, place]))
    spread = _spread(volts, noise, at.samples)
    resistance, grows = _slope(closed, zeros, header, place, current, coil)
    if not len(volts):
        gone = Figure(why="the contact is closed too briefly to see its drop")
        return ContactFigures(gone, resistance, math.nan, 0.0, False)
    mean = float(volts.mean())
    largest = CLAMP_V if name == "contact_v" else float(np.nanmax(np.abs(closed.settled[:, place])))
    known = [
        Component("zero", u_zero(channel, largest)),
        Component("scale", u_gain(channel) * abs(mean)),
        Component("scatter", _of_mean(volts), max(len(volts) - 1.0, 1.0)),
    ]
    u_known = math.hypot(*(part.u for part in known))
    drop = Figure(mean, Estimate(mean, u_known, effective_dof(known)).U if u_known else 0.0)
    film = 0.0
    if grows:
        film = mean - grows.value
        if abs(film) < max(FILM_V, math.hypot(drop.u, grows.u)):
            film = 0.0
    if grows and abs(mean - grows.value) <= min(drop.u, FILM_V):
        # No sign of a film: what grows with the current is the drop, and is free of the zero's error. The
        # uncertainty stays that of the reading, which a film within it would need.
        drop = Figure(grows.value, max(drop.u, grows.u))
    if grows and known[0].u > GOOD_ZERO_V:
        # A film, as large as such zeros leave open.
        unseen = 2.0 * min(u_known, U_FILM_V)
        by_slope = Figure(grows.value, math.hypot(grows.u, unseen))
        return ContactFigures(by_slope, resistance, spread, 0.0, True)
    return ContactFigures(drop, resistance, spread, film, False)


def _slope(
    closed: Closed, zeros: Zeros, header: Header, place: int, current: Figure, coil: bool
) -> tuple[Figure, Figure]:
    """Resistance, and the drop that it makes at the current of the opening."""
    if not current:
        return Figure(why=current.why), Figure()
    if not coil:
        return Figure(why=ONE_CURRENT), Figure()
    name = closed.names[place]
    sign = np.array([zeros.sign_a] + [zeros.sign] * (len(zeros.zero) - 1))
    sums = sums_of(closed, zeros.course, sign)
    ohm, u, dof = scattered(lambda rows: slope_over_current(sums, rows, name), len(closed))
    if not (math.isfinite(ohm) and math.isfinite(u)):
        return Figure(why="too few closings to see the drop grow with the current"), Figure()
    channels = [header.channels[header.position(each) or 0] for each in (name, "current_a")]
    gain = math.hypot(*(u_gain(c) for c in channels))
    parts = [Component("scatter", u, dof), Component("scales", gain * abs(ohm))]
    u_c, freedom = math.hypot(*(p.u for p in parts)), effective_dof(parts)
    resistance = Figure(ohm, Estimate(ohm, u_c, freedom).U if u_c else 0.0)
    # The scale of the current cancels in the drop that it makes.
    own = [Component("scatter", u * current.value, dof)]
    own.append(Component("scale", u_gain(channels[0]) * abs(ohm * current.value)))
    u_own = math.hypot(*(p.u for p in own))
    drop = ohm * current.value
    return resistance, Figure(drop, Estimate(drop, u_own, effective_dof(own)).U if u_own else 0.0)


def _spread(volts: Floats, noise: float, samples: int) -> float:
    """Standard deviation of the drop from closing to closing, the noise of each reading taken off.

    NaN where that noise is a large part of it, and large.
    """
    if len(volts) < 2:
        return math.nan
    span = np.arange(samples) - 0.5 * (samples - 1)
    ahead = 0.5 * samples + 2.0
    of_one = noise * (1.0 / samples + ahead**2 / float(span @ span))
    spread = math.sqrt(max(float(np.var(volts, ddof=1)) - of_one, 0.0))
    return math.nan if math.sqrt(of_one) > max(spread / 3.0, NOISY_V) else spread


def _of_mean(values: Floats) -> float:
    return float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
