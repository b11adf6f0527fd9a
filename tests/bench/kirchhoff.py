"""The laws of the ignition circuit written down once more, for scipy to integrate step by step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from breakerbench.bench.contact import Contact
from breakerbench.bench.ignition import Ignition
from breakerbench.bench.ignition_modes import (
    ARC,
    CLOSED,
    CURRENT_A,
    GAP_A,
    OPEN,
    POINTS_V,
    SECONDARY_V,
    SUPPLY_V,
    scales,
)
from breakerbench.bench.ignition_run import Run, Turns, run_ignition

Array = np.ndarray[Any, np.dtype[np.float64]]

STRAY_OHM, ARC_OHM = 20.0, 0.5


@dataclass(frozen=True)
class Laws:
    """State: primary current, condenser voltage, secondary current, secondary voltage.

    film_v, burn_v  constant voltages of contact (or arc) and of the burning gap; 0: it does not burn
    """

    circuit: Ignition
    contact: int
    film_v: float
    burn_v: float

    @property
    def series_ohm(self) -> float:
        return self.circuit.condenser_ohm if self.circuit.condenser_f else STRAY_OHM

    @property
    def farad(self) -> float:
        return self.circuit.condenser_f or self.circuit.stray_f

    @property
    def branch_ohm(self) -> float:
        c = self.circuit
        return c.lead_ohm + c.contact_ohm + c.plate_ohm + (ARC_OHM if self.contact == ARC else 0.0)

    def contact_a(self, y: Array) -> Array:
        if self.contact == OPEN:
            return 0.0 * y[0]
        both = self.branch_ohm + self.series_ohm
        return (y[0] * self.series_ohm + y[1] - self.film_v) / both

    def points_v(self, y: Array) -> Array:
        into = y[0] - self.contact_a(y)
        return y[1] + self.series_ohm * into + self.circuit.clamp_ohm * y[0]

    def gap_a(self, y: Array) -> Array:
        if not self.burn_v:
            return 0.0 * y[0]
        return (y[3] - self.burn_v) / self.circuit.gaps[0].slope_ohm

    def leak_a(self, y: Array) -> Array:
        gap = self.circuit.gaps[0]
        return y[3] / self.circuit.loss_ohm + (y[3] / gap.leak_ohm if gap.leak_ohm else 0.0)

    def rates(self, _: float, y: Array) -> Array:
        c = self.circuit
        across = c.volts - (c.source_ohm + c.coil_ohm) * y[0] - self.points_v(y)
        other = -c.secondary_ohm * y[2] - y[3]
        first, second = c.coil_h, c.coil_h * c.turns**2
        both = c.coupling * np.sqrt(first * second)
        spread = first * second - both**2
        return np.array(
            [
                (second * across - both * other) / spread,
                (y[0] - self.contact_a(y) - y[1] / c.leakage_ohm) / self.farad,
                (first * other - both * across) / spread,
                (y[2] - self.leak_a(y) - self.gap_a(y)) / c.secondary_f,
            ]
        )

    def lost_w(self, y: Array) -> Array:
        """All that turns into heat, light and noise."""
        c, through = self.circuit, self.contact_a(y)
        return (
            y[0] ** 2 * (c.source_ohm + c.coil_ohm + c.clamp_ohm)
            + through**2 * self.branch_ohm
            + through * self.film_v * (self.contact != OPEN)
            + (y[0] - through) ** 2 * self.series_ohm
            + y[1] ** 2 / c.leakage_ohm
            + y[2] ** 2 * c.secondary_ohm
            + y[3] * (self.leak_a(y) + self.gap_a(y))
        )

    def stored_j(self, y: Array) -> Array:
        c = self.circuit
        first, second = c.coil_h, c.coil_h * c.turns**2
        both = c.coupling * np.sqrt(first * second)
        coils = 0.5 * first * y[0] ** 2 + 0.5 * second * y[2] ** 2 + both * y[0] * y[2]
        return coils + 0.5 * self.farad * y[1] ** 2 + 0.5 * c.secondary_f * y[3] ** 2


def contact_at(*changes: float, closed_at_start: bool = True) -> Contact:
    states = np.arange(len(changes)) % 2 == int(closed_at_start)
    return Contact(np.array(changes), states, closed_at_start)


def run_alone(circuit: Ignition, contact: Contact, seed: int = 1) -> Run:
    """A circuit under a contact, every opening one by the only lobe."""
    zeros = np.zeros(contact.time_s.size + 1, np.int64)
    proper = np.concatenate(([False], ~contact.closed))
    return run_ignition(circuit, contact, Turns(zeros, zeros, proper), 0.0, seed)


def laws_of(run: Run, circuit: Ignition, row: int) -> Laws:
    """Those of a stretch of a run."""
    closed = bool(run.closed[run.phase[row]])
    drops = run.inputs[row, 1] != 0.0
    contact = ARC if drops else OPEN
    if closed:
        # on a film: conducting one way or the other, or not at all
        contact = CLOSED if drops or not circuit.film_v else OPEN
    return Laws(circuit, contact, float(run.inputs[row, 1]), float(run.inputs[row, 2]))


def states(run: Run, circuit: Ignition, row: int, since_s: Array) -> Array:
    """State (4, n) of a run, s after the begin of a stretch."""
    kind = run.kinds[run.kind[row]]
    swing = np.exp(kind.rates[:, None] * since_s) * run.weights[row][:, None]
    scaled = (kind.vectors @ swing).real + (kind.rest @ run.inputs[row])[:, None]
    return scaled / scales(circuit)[:, None]


def hold(run: Run, circuit: Ignition, end_s: float) -> dict[str, float]:
    """Largest differences of a run's signals from Radau.

    Radau begins at rest and goes through the whole run on its own; the run says only when the gap
    breaks down and goes out.
    """
    worst = dict.fromkeys(("points_v", "current_a", "supply_v", "secondary_v", "gap_a"), 0.0)
    state = states(run, circuit, 0, np.zeros(1))[:, 0]
    # at rest nothing moves by a thousandth in a nanosecond, the fastest time constant there is
    still = np.abs(laws_of(run, circuit, 0).rates(0.0, state)) * 1e-9
    assert np.all(still < 1e-3 * np.array([circuit.most_a, circuit.volts, 0.01, circuit.volts]))
    starts = np.append(run.start_s, end_s)
    for row in range(run.start_s.size):
        begin, end = max(starts[row], -1e-3), starts[row + 1]
        if end <= begin:
            continue
        laws = laws_of(run, circuit, row)
        lasts = end - begin
        since = np.concatenate((np.linspace(0.0, lasts, 120), lasts * np.geomspace(1e-6, 1.0, 60)))
        since = np.unique(since)
        solved = solve_ivp(
            laws.rates,
            (0.0, lasts),
            state,
            method="Radau",
            t_eval=since,
            rtol=1e-8,
            atol=[1e-9, 1e-6, 1e-11, 1e-5],
        )
        y, times = solved.y[:, 1:-1], begin + since[1:-1]
        for name, values, signal in (
            ("points_v", laws.points_v(y), POINTS_V),
            ("current_a", y[0], CURRENT_A),
            ("supply_v", circuit.volts - circuit.source_ohm * y[0], SUPPLY_V),
            ("secondary_v", y[3], SECONDARY_V),
            ("gap_a", laws.gap_a(y), GAP_A),
        ):
            worst[name] = max(worst[name], float(np.max(np.abs(values - run.at(signal, times)))))
        state = solved.y[:, -1]
    return worst
