"""What is true of the electrical half: read off ngspice's own nodes and branches, free of noise."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .conditions import Conditions
from .ignition_circuit import Circuit
from .motion import Contact

Array = NDArray[np.float64]


def first_touches(changes: Contact) -> Array:
    """Times of the true first touches."""
    return changes.time_s[changes.closed & ~changes.bounced]


def electrics_of(
    c: Conditions, circuit: Circuit, changes: Contact, solved: dict[str, Array]
) -> dict[str, Any]:
    """What is true of the electrical half; arrays have one value for each true opening.

    opening_s, lobe    when (trace time) and which lobe of the cam (the truth's own numbering, not lobe 1)
    current_a, energy_j   in the primary at that instant; energy of primary_h
    drop_v             points terminal to ground 2 us before it
    begin_s, end_s     of the gap's current; NaN where it never flowed
    duration_s         end_s less the opening; burn_s: less begin_s; cut: it still flowed at the next
                       touch, or at the end of the trace (then duration_s is NaN)
    missed             the gap's current never flowed
    restruck           it stopped and came again before its end
    burn_v             points voltage in the middle of the burn less the supply's, median of the middle
                       fifth; NaN where none
    touch_from_v       magnitude of the points voltage before each first touch
    open_s             until the next first touch (to the end of the trace for the last)
    """
    t, gap = solved["t"], solved["gap"]
    opens, firsts = changes.opening_s, first_touches(changes)
    n = opens.size
    current = np.interp(opens - 1e-7, t, solved["current"])
    nans = np.full(n, np.nan)
    begin, end, burn = nans.copy(), nans.copy(), nans.copy()
    cut, restruck = np.zeros(n, bool), np.zeros(n, bool)
    until = nans.copy()
    for k, at in enumerate(opens.tolist()):
        later = firsts[firsts > at]
        until[k] = later[0] if later.size else c.seconds
        span = slice(*np.searchsorted(t, [at, until[k]]))
        flows = gap[span] > 0.5 * circuit.hold_a
        if not flows.any():
            continue
        on = np.flatnonzero(flows)
        times = t[span]
        begin[k] = times[on[0]]
        cut[k] = on[-1] >= flows.size - 2
        last = on[-1]
        end[k] = times[last] if cut[k] else 0.5 * (times[last] + times[last + 1])
        restruck[k] = bool((np.diff(on) > 1).any())
        middle = begin[k] + (end[k] - begin[k]) * np.array([0.4, 0.6])
        part = slice(*np.searchsorted(t, middle))
        if part.stop - part.start >= 3:
            even = np.linspace(*middle, 201)
            burn[k] = np.median(np.interp(even, t, solved["pts"])) - circuit.supply_v
    drop = np.interp(opens - 2e-6, t, solved["pts"])
    return {
        "opening_s": opens, "lobe": changes.opening_lobe, "current_a": current,
        "energy_j": 0.5 * circuit.primary_h * current**2, "drop_v": drop,
        "begin_s": begin, "end_s": end, "duration_s": np.where(cut, np.nan, end - opens),
        "burn_s": np.where(cut, np.nan, end - begin), "cut": cut, "missed": np.isnan(begin),
        "restruck": restruck, "burn_v": burn, "open_s": until - opens,
        "touch_from_v": np.abs(np.interp(firsts - 1e-7, t, solved["pts"])),
        "contact_ohm": circuit.drawn_ohm, "film_v": circuit.film_v,
        "primary_ohm": circuit.primary_ohm, "primary_20c_ohm": circuit.resistance_20c_ohm(),
        "primary_h": circuit.primary_h, "ballast_ohm": circuit.ballast_ohm,
        "feed_ohm": circuit.ballast_ohm + circuit.source_ohm, "open_volts": circuit.supply_v,
        "volts": float(np.median(circuit.supply_v
                                 - current * (circuit.ballast_ohm + circuit.source_ohm))),
        "polarity": "negative ground" if c.polarity > 0 else "positive ground",
        "coil_polarity": "reversed" if circuit.reversed else "right",
    }  # fmt: skip
