"""Coil ignition solved by ngspice: battery, ballast, coupled coils, gap, condenser, points.

    source, spec_toml, truth = ignition_case(7)                       # drawn at random
    source, spec_toml, truth = ignition_case(7, rpm=1500, lobes=6, supply_v=12.0, channels=FOUR)
    c, circuit = ignition_conditions(7)                               # what is drawn, by itself
    made = ignition_made(c, circuit)                                  # one run of ngspice, 0.3 to 3 s
    source = IgnitionSource(made)

Every field of ``Circuit`` and ``Conditions`` may be given; ``ignition_circuit`` says what is drawn and
from where. Nothing is shared with the simulated bench of the program: other equations, another solver.
Contact times and angles come from ``motion`` as for the other independent traces.

Truth: that of ``generator`` (dwell, spacing, scatter), and under ``"electrics"`` what the circuit is made
of and what ngspice's own nodes and branches say, without front end, noise or converter; see
``ignition_truth``.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from breakerbench.trace import Block, Channel, EdgeChannel, EdgeTimes, Event, Header

from . import reference
from .conditions import Conditions
from .generator import _truth, specification
from .ignition_circuit import (
    COPPER,
    FIVE,
    FOUR,
    NEVER_V,
    THREE,
    TWO,
    Circuit,
    ignition_conditions,
)
from .ignition_truth import electrics_of, first_touches
from .motion import Contact, Motion, contact
from .spice import _pwl, ngspice

Array = NDArray[np.float64]
__all__ = [
    "COPPER", "FIVE", "FOUR", "NEVER_V", "THREE", "TWO", "Circuit", "IgnitionMade", "IgnitionSource",
    "ignition_case", "ignition_conditions", "ignition_made", "scale_of", "solve",
]  # fmt: skip
_NETLIST = Path(__file__).parent / "netlists" / "ignition.cir"
_SAVED = ("op", "oi", "os", "oc", "ok", "pts", "s1", "current", "gap")
_NODE = {"points_v": "op", "current_a": "oi", "supply_v": "os", "contact_v": "oc", "spark": "ok"}


@dataclass(frozen=True)
class IgnitionMade:
    """One trace in memory: counts of every channel, edges of the index, the truth."""

    c: Conditions
    circuit: Circuit
    counts: dict[str, NDArray[np.int16]]
    edges: dict[str, tuple[Array, NDArray[np.bool_]]]
    truth: dict[str, Any]


def _steps(times: Array, values: Array) -> str:
    """PWL of a level that changes at each time, within a microsecond; values: one more."""
    corners = [f"0 {values[0]:.9g}"]
    for t, old, new in zip(times.tolist(), values[:-1].tolist(), values[1:].tolist(), strict=True):
        if old != new and t > 1e-6:
            corners += [f"{t - 5e-7:.10g} {old:.9g}", f"{t + 5e-7:.10g} {new:.9g}"]
    return "\n+ ".join(corners)


def _cycled(values: tuple[float, ...], n: int) -> Array:
    return np.resize(np.array(values), n)


def _initial(c: Conditions, circuit: Circuit, changes: Contact) -> dict[str, float]:
    """State at time 0 as if the drive had turned before at the speed it begins with."""
    amps, volts = 0.0, circuit.supply_v
    if changes.starts_closed and changes.opening_s.size:
        rpm = max(c.profile[0][1], 30.0)
        dwell_s = c.dwell_deg[int(changes.opening_lobe[0])] / (6.0 * rpm)
        since = max(dwell_s - float(changes.opening_s[0]), 0.0)
        full = circuit.supply_v / circuit.total_ohm
        amps = full * (1 - np.exp(-since * circuit.total_ohm / circuit.primary_h))
        volts = amps * (circuit.contact_ohm[0] + circuit.plate_ohm)
    feed = circuit.supply_v - amps * (circuit.source_ohm + circuit.ballast_ohm)
    return {
        "initial_a": amps, "initial_v": volts, "initial_feed_v": feed,
        "initial_clamped_v": min(volts, 2.5),
    }  # fmt: skip


def netlist(c: Conditions, circuit: Circuit, changes: Contact) -> str:
    """The deck of one run."""
    firsts, opens = first_touches(changes), changes.opening_s
    # The next gap's breakdown holds from the middle of each dwell on.
    middles = []
    for t in opens[1:]:
        before = firsts[firsts < t]
        middles.append(0.5 * (before[-1] + t) if before.size else 0.5 * t)
    breakdown = _cycled(circuit.breakdown_v, max(opens.size, 1))
    # Each closing has its own contact: changed while it is still open, just before the touch.
    contact_ohm = _cycled(circuit.contact_ohm, firsts.size + 1)
    filled = {
        **{f.name: getattr(circuit, f.name) for f in fields(Circuit)},
        "ballast_ohm": max(circuit.ballast_ohm, 1e-6),
        "secondary_h": circuit.primary_h * circuit.turns**2,
        "front_f": 1 / (2 * np.pi * (c.front_hz or 3e6) * 1e3),
        "step": 1 / c.rate_hz,
        "stop": c.seconds + 2 / c.rate_hz,
        "ceiling": 20e-6,
        **_initial(c, circuit, changes),
    }
    texts = {k: f"{v:.9g}" for k, v in filled.items() if isinstance(v, (int, float))}
    texts |= {
        "contact": _pwl(changes),
        "contact_ohm": _steps(firsts - 20e-6, contact_ohm),
        "breakdown": _steps(np.array(middles), breakdown),
    }
    return _NETLIST.read_text().format(**texts)


def solve(deck: str) -> dict[str, Array]:
    """Time ``t`` and every saved node and branch at the solver's own steps."""
    with tempfile.TemporaryDirectory() as folder:
        path, raw = Path(folder) / "a.cir", Path(folder) / "a.raw"
        path.write_text(deck)
        done = subprocess.run(
            [ngspice(), "-b", "-r", str(raw), str(path)],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        if done.returncode or not raw.exists():
            raise RuntimeError(f"ngspice failed: {done.stdout[-500:]} {done.stderr[-500:]}")
        head, _, data = raw.read_bytes().partition(b"Binary:\n")
    points = int(head.split(b"No. Points:")[1].split()[0])
    width = int(head.split(b"No. Variables:")[1].split()[0])
    rows = np.frombuffer(data, float, points * width).reshape(points, width)
    if width != len(_SAVED) + 1:
        raise RuntimeError(f"ngspice saved {width} columns")
    rows = rows[np.append(True, np.diff(rows[:, 0]) > 0)]
    return {"t": rows[:, 0].copy()} | {n: rows[:, k + 1].copy() for k, n in enumerate(_SAVED)}


def ignition_made(c: Conditions, circuit: Circuit) -> IgnitionMade:
    rng = np.random.default_rng([c.seed, 0x1695])
    motion = Motion(c)
    changes = contact(c, motion, rng)
    solved = solve(netlist(c, circuit, changes))
    if solved["t"][-1] < c.seconds:
        raise RuntimeError(f"ngspice stopped at {solved['t'][-1]:.6g} s of {c.seconds:.6g} s")
    counts = {
        name: _counts(c, circuit, solved, name, k, changes, rng)
        for k, name in enumerate(circuit.channels)
    }
    start, end = reference.index_pulses(c, motion, rng)
    edges = {"index": reference.edges(c, start, end)} if c.index != "none" else {}
    if c.encoder != "none":
        edges["encoder"] = reference.edges(c, *reference.encoder_pulses(c, motion, rng))
    truth = _truth(c, motion, changes, start)
    truth["electrics"] = electrics = electrics_of(c, circuit, changes, solved)
    truth["clipped_closings"] = float((electrics["touch_from_v"] > circuit.range_v).mean())
    truth["circuit"], truth["solved"] = circuit, solved
    return IgnitionMade(c, circuit, counts, edges, truth)


def scale_of(circuit: Circuit, bits: int, name: str) -> float:
    """Value of one count, in the channel's unit."""
    spans = {"points_v": circuit.range_v, "current_a": 10.0, "supply_v": 20.0}
    return 2 * spans.get(name, 2.5) / 2**bits


def _counts(
    c: Conditions, circuit: Circuit, solved: dict[str, Array], name: str, k: int,
    changes: Contact, rng: np.random.Generator,
) -> NDArray[np.int16]:  # fmt: skip
    t = np.arange(c.samples) / c.rate_hz + circuit.offsets_s[k]
    value = PchipInterpolator(solved["t"], solved[_NODE[name]], extrapolate=True)(t)
    if name == "spark":
        value = value * circuit.pickup_sense * (-1 if circuit.reversed else 1)
        if circuit.pickup_lobe is not None:
            now = np.searchsorted(changes.opening_s, t, side="right") - 1
            lobe = np.append(changes.opening_lobe, -1)[now]
            value = np.where(lobe == circuit.pickup_lobe, value, 0.05 * value)
    else:
        value = value * c.polarity
    x = value * circuit.gains[k] / scale_of(circuit, c.bits, name) + circuit.zero_counts[k]
    x += rng.standard_normal(x.size) * c.noise_counts
    most = 2 ** (c.bits - 1)
    return np.rint(x).clip(-most, most - 1).astype(np.int16)


@dataclass
class IgnitionSource:
    """A ``Source`` over a made trace; blocks: samples of each."""

    made: IgnitionMade
    blocks: int = 65536
    done: int = field(default=0, init=False)

    @property
    def header(self) -> Header:
        c, circuit = self.made.c, self.made.circuit
        most = 2 ** (c.bits - 1)
        tau = 0.0 if c.front_hz is None else 1 / (2 * np.pi * c.front_hz)
        channels = []
        for k, name in enumerate(circuit.channels):
            scale = scale_of(circuit, c.bits, name)
            channels.append(
                Channel(
                    name,
                    "A" if name == "current_a" else "V",
                    scale=scale,
                    offset_s=circuit.offsets_s[k],
                    delay_s=float(np.log(2) * tau),
                    rail_counts=(-most, most - 1) if c.rails_known else None,
                    u_gain=circuit.u_gain if circuit.told else None,
                    u_zero=circuit.u_zero_counts * scale if circuit.told else None,
                )
            )
        return Header(
            sample_rate_hz=c.rate_hz,
            channels=tuple(channels),
            edge_channels=tuple(EdgeChannel(n, resolution_s=c.tick_s) for n in self.made.edges),
            encoder_pulses=c.encoder_pulses if c.encoder != "none" else None,
            simulated=True,
            origin="independent circuit, ngspice",
            temperature_c=circuit.temperature_c,
        )

    def __iter__(self) -> Iterator[Event]:
        made, rate = self.made, self.made.c.rate_hz
        counts = [made.counts[name] for name in made.circuit.channels]
        n = len(counts[0])
        for at in range(0, n, self.blocks):
            end = min(at + self.blocks, n)
            for name, (t, rising) in made.edges.items():
                upto = np.inf if end == n else end / rate
                part = slice(*np.searchsorted(t, [at / rate if at else -np.inf, upto]))
                if part.stop > part.start:
                    yield EdgeTimes(name, t[part], rising[part])
            yield Block(at, tuple(x[at:end] for x in counts))
            self.done = end

    def progress(self) -> tuple[float, float]:
        return float(self.done), float(self.made.c.samples)

    def close(self) -> None:
        return


def ignition_case(seed: int, **given: Any) -> tuple[IgnitionSource, str, dict[str, Any]]:
    """(source, specification TOML, truth) of one case."""
    c, circuit = ignition_conditions(seed, **given)
    made = ignition_made(c, circuit)
    return IgnitionSource(made), specification(c), made.truth
