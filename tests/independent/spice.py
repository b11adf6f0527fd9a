"""The circuit solved by ngspice instead of by us: same drawn contact times, another solver.

``spice_made(c)`` runs one netlist in batch, interpolates to the sample grid and adds the converter
and the index of the generator. Needs the program ngspice (Debian: ``apt-get install ngspice``).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from . import reference, waveform
from .conditions import Conditions, draw
from .generator import Made, _truth
from .motion import Contact, Motion, contact

Array = NDArray[np.float64]
_HERE = Path(__file__).parent / "netlists"
_EDGE_S = 40e-9


def ngspice() -> str:
    """Path of ngspice; skips the test without it, fails where CI=true."""
    path = shutil.which("ngspice")
    if path is None:
        said = "ngspice is not installed; mend: apt-get install ngspice"
        if os.environ.get("CI") == "true":
            pytest.fail(said)
        pytest.skip(said)
    return path


def _pwl(changes: Contact) -> str:
    level = 1 if changes.starts_closed else 0
    corners = [f"0 {level}"]
    for t, closed in zip(changes.time_s.tolist(), changes.closed.tolist(), strict=True):
        corners += [f"{t - _EDGE_S / 2:.10g} {level}", f"{t + _EDGE_S / 2:.10g} {int(closed)}"]
        level = int(closed)
    return "\n+ ".join(corners)


def _netlist(c: Conditions, changes: Contact, values: dict[str, float]) -> str:
    name = "ringing_contact.cir" if c.feed == "coil" else "dry_contact.cir"
    closed = changes.starts_closed
    current = c.supply_v / c.coil_ohm
    filled = {
        "supply": c.supply_v,
        "ballast": c.coil_ohm * 0.5,
        "winding": c.coil_ohm * 0.5,
        "primary_h": c.coil_h,
        "initial_a": current if closed else 0.0,
        "initial_v": c.contact_ohm * current if closed else c.supply_v,
        "contact_ohm": c.contact_ohm,
        "front_f": 1 / (2 * np.pi * (c.front_hz or 3e6) * 1e3),
        "step": 1 / c.rate_hz,
        "stop": c.seconds,
        "ceiling": 20e-6,
        **values,
    }
    texts = {k: f"{v:.9g}" for k, v in filled.items()}
    return (_HERE / name).read_text().format(pwl=_pwl(changes), **texts)


def _run(netlist: str) -> tuple[Array, Array]:
    """Time and output voltage at the solver's own steps."""
    with tempfile.TemporaryDirectory() as folder:
        deck, raw = Path(folder) / "a.cir", Path(folder) / "a.raw"
        deck.write_text(netlist)
        done = subprocess.run(
            [ngspice(), "-b", "-r", str(raw), str(deck)],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        if done.returncode or not raw.exists():
            raise RuntimeError(f"ngspice failed: {done.stdout[-500:]} {done.stderr[-500:]}")
        head, _, data = raw.read_bytes().partition(b"Binary:\n")
    points = int(head.split(b"No. Points:")[1].split()[0])
    rows = np.frombuffer(data, float, points * 2).reshape(points, 2)
    fresh = np.append(True, np.diff(rows[:, 0]) > 0)
    return rows[fresh, 0].copy(), rows[fresh, 1].copy()


def spice_made(c: Conditions, values: dict[str, float]) -> Made:
    rng = np.random.default_rng([c.seed, 0x5B1CE])
    motion = Motion(c)
    changes = contact(c, motion, rng)
    solved_t, solved_v = _run(_netlist(c, changes, values))
    t = np.arange(c.samples) / c.rate_hz
    volts = PchipInterpolator(solved_t, solved_v, extrapolate=True)(t)
    start, end = reference.index_pulses(c, motion, rng)
    return Made(
        c,
        waveform.counts(c, volts, t, rng),
        {},
        {"index": reference.edges(c, start, end)},
        _truth(c, motion, changes, start),
    )


def spice_conditions(seed: int, **given: Any) -> tuple[Conditions, dict[str, float]]:
    """Short run of 20 to 40 openings, parts drawn at random; the netlist's further values."""
    rng = np.random.default_rng([seed, 0x5EC0])
    lobes = int(given.pop("lobes", rng.choice([4, 4, 6, 8])))
    rpm = float(given.pop("rpm", np.exp(rng.uniform(np.log(300), np.log(2500)))))
    openings = int(rng.integers(20, 41))
    given = {
        "feed": "coil",
        "rate_hz": 250e3,
        "reference": "index",
        "bounce": float(rng.choice([0.0, 0.4])),
        "bounce_most": 3,
        "pickup_v": 0.0,
        "drift_v": 0.0,
        "scatter_deg": float(rng.uniform(0.01, 0.05)),
        "contact_ohm": float(rng.uniform(0.01, 0.04)),
        **given,
    }
    seconds = (openings / lobes + 0.5) / (rpm / 60)
    c = draw(seed, lobes=lobes, rpm=rpm, seconds=seconds, **given)
    if c.feed == "dry":
        ohm = float(rng.uniform(50, 1000))
        farad = c.condenser_tau_s / ohm if c.condenser_tau_s else 1e-10
        return c, {"feed_ohm": ohm, "condenser_f": farad, "condenser_ohm": 0.3}
    turns = rng.uniform(60, 110)
    return c, {
        "secondary_h": c.coil_h * turns**2,
        "coupling": float(rng.uniform(0.9, 0.985)),
        "secondary_ohm": float(rng.uniform(4e3, 12e3)),
        "secondary_f": float(rng.uniform(30e-12, 90e-12)),
        "loss_ohm": float(np.exp(rng.uniform(np.log(0.3e6), np.log(8e6)))),
        "condenser_f": float(rng.uniform(0.15e-6, 0.3e-6)),
        "condenser_ohm": float(rng.uniform(0.1, 0.6)),
    }
