"""Voltage across the points: exact solution of the linear circuit between changes, then converter.

In each segment the voltage is a constant and up to one decaying (real or complex) mode; the
first-order front end adds one mode of its own and is continuous over the change. No step size.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .conditions import Conditions
from .motion import Contact

Array = NDArray[np.float64]


class _Segments:
    """Growing list of (start, constant, mode amplitude, mode rate)."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, float, complex, complex]] = []

    def add(self, t: float, level: float, amplitude: complex, rate: complex) -> None:
        self.rows.append((t, level, amplitude, rate))

    def value(self, t: float) -> float:
        t0, level, amplitude, rate = self.rows[-1]
        return level + (amplitude * np.exp(rate * (t - t0))).real


def _dry(c: Conditions, contact: Contact) -> _Segments:
    out = _Segments()
    tau = c.condenser_tau_s
    out.add(-1.0, c.drop_v if contact.starts_closed else c.supply_v, 0, -1)
    for t, closed in zip(contact.time_s.tolist(), contact.closed.tolist(), strict=True):
        if closed:
            out.add(t, c.drop_v, 0, -1)
        elif tau > 0:
            out.add(t, c.supply_v, out.value(t) - c.supply_v, -1 / tau)
        else:
            out.add(t, c.supply_v, 0, -1)
    return out


def _coil(c: Conditions, contact: Contact) -> _Segments:
    out = _Segments()
    full_a = c.supply_v / c.coil_ohm
    build = -c.coil_ohm / c.coil_h
    omega = 2 * np.pi * c.ring_hz
    ring = complex(-omega / (2 * c.ring_q), omega)
    burn = complex(-1.5 * omega / (2 * c.burn_q), 1.5 * omega)
    capacity = 1 / (omega**2 * c.coil_h)
    rest = c.supply_v

    def mode(value: float, slope: float, rate: complex) -> complex:
        """Amplitude whose real part begins at ``value`` with ``slope``."""
        return complex(value, (rate.real * value - slope) / rate.imag)

    level = c.drop_v * 0.3 + c.contact_ohm * full_a
    if contact.starts_closed:
        out.add(-1.0, level, 0, -1)
    else:
        out.add(-1.0, rest, 0, -1)
    times = [*contact.time_s.tolist(), np.inf]
    touched, current = -1.0, full_a if contact.starts_closed else 0.0
    for k, closed in enumerate(contact.closed.tolist()):
        t, until = times[k], times[k + 1]
        if closed:
            current = 0.0
            touched = t
            out.add(t, level, c.contact_ohm * (current - full_a), build)
            continue
        amps = full_a + (current - full_a) * np.exp(build * (t - touched))
        slope = amps / capacity
        out.add(t, rest, mode(out.value(t) - rest, slope, ring), ring)
        if not c.spark or contact.bounced[k]:
            continue
        early = np.linspace(0, 0.25 / c.ring_hz, 200)
        _, _, amplitude, rate = out.rows[-1]
        rise = rest + (amplitude * np.exp(rate * early)).real
        above = np.flatnonzero(rise >= c.breakdown_v)
        if above.size == 0 or t + early[above[0]] >= until:
            continue
        struck = t + float(early[above[0]])
        at = out.value(struck)
        out.add(struck, rest + c.burn_v, mode(at - rest - c.burn_v, 0.0, burn), burn)
        ended = struck + c.burn_s
        if ended < until:
            at = out.value(ended)
            out.add(ended, rest, mode(at - rest, -c.end_kick * c.burn_v * omega, ring), ring)
    return out


def points_volts(c: Conditions, contact: Contact, t: Array) -> Array:
    """Voltage after the front end at times ``t``: supply drift in, before offset and noise."""
    rows = (_dry if c.feed == "dry" else _coil)(c, contact).rows
    start = np.array([r[0] for r in rows])
    level = np.array([r[1] for r in rows])
    amplitude = np.array([r[2] for r in rows], complex)
    rate = np.array([r[3] for r in rows], complex)
    seg = np.searchsorted(start, t, side="right") - 1
    dt = t - start[seg]
    if c.front_hz is None:
        v = level[seg] + (amplitude[seg] * np.exp(rate[seg] * dt)).real
    else:
        tau = 1 / (2 * np.pi * c.front_hz)
        gain = 1 + rate * tau
        gain = np.where(np.abs(gain) < 1e-3, 1e-3, gain)
        passed = amplitude / gain
        # The front end's own mode makes its output continuous: one pass over the segments.
        length = np.diff(start)
        own = np.zeros(start.size)
        last = level + np.append((passed[:-1] * np.exp(rate[:-1] * length)).real, 0)
        fade = np.exp(-length / tau)
        first = level + passed.real
        for k in range(1, start.size):
            own[k] = last[k - 1] + own[k - 1] * fade[k - 1] - first[k]
        v = level[seg] + (passed[seg] * np.exp(rate[seg] * dt)).real
        v += own[seg] * np.exp(-dt / tau)
    if c.drift_v:
        share = c.drift_v / c.supply_v
        x = t / c.seconds
        v *= 1 + share * (x - 0.5) + 0.3 * share * np.sin(2 * np.pi * 1.7 * x)
    return v


def counts(c: Conditions, volts: Array, t: Array, rng: np.random.Generator) -> NDArray[np.int16]:
    """Converter counts: polarity, offset, pick-up, noise, rounding, rails."""
    v = c.polarity * volts + c.offset_v
    if c.pickup_v:
        v += c.pickup_v * np.sin(2 * np.pi * c.pickup_hz * t + 1.0)
    x = v / scale_v(c)
    if c.noise_counts:
        x += rng.standard_normal(x.size, dtype=np.float32) * c.noise_counts
    low, high = rails(c)
    return np.rint(x).clip(low, high).astype(np.int16)


def scale_v(c: Conditions) -> float:
    return c.rail_v / 2**c.bits if c.unipolar else 2 * c.rail_v / 2**c.bits


def rails(c: Conditions) -> tuple[int, int]:
    n = 2**c.bits
    return (0, n - 1) if c.unipolar else (-n // 2, n // 2 - 1)
