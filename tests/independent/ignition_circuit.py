"""The electrical half of an ignition case, and how a seed draws it together with the mechanics.

All values are invented: the ranges are those of contact-breaker ignition as commonly met (from memory),
wide on purpose; ``ignition_conditions`` says each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from .conditions import Conditions, draw

#: Channel sets: as the round robin gives them, and as an import may.
TWO = ("points_v", "current_a")
THREE = ("points_v", "current_a", "supply_v")
FOUR = ("points_v", "current_a", "supply_v", "contact_v")
FIVE = (*FOUR, "spark")
COPPER = 0.00393  # per kelvin at 20 degrees (IEC 60028)
NEVER_V = 1e6


@dataclass(frozen=True)
class Circuit:
    """The electrical half of one case; V, ohm, H, F, A, s, degrees Celsius.

    source_ohm      battery, wires and switch; ballast_ohm after it, before the coil's feed terminal
    primary_ohm     of the winding as warm as it is (temperature_c); primary_h with the secondary open
    turns, coupling secondary turns a primary turn; k
    breakdown_v     of each true opening in order (cycled); NEVER_V: that one never fires
    burn_v, burn_slope_ohm   the burning gap at the secondary; hold_a: it goes out below
    leak_ohm        across the condenser
    contact_ohm     of each closing in order (cycled); plate_ohm: plate and its lead; film_v constant
    arc_v           an arc holds the open contact below this
    pickup_sense    +1: sparks show positive on ``spark`` where the coil is connected right (the plug's
                    terminal negative); reversed: the coil is not; pickup_lobe: the one tower it is on
    channels, range_v   what is sampled, full scale of points_v; zero_counts, gains: errors of each
                    channel, drawn with the standard uncertainties u_zero_counts and u_gain
    told            whether the header states u_gain and u_zero
    """

    supply_v: float = 12.6
    source_ohm: float = 0.08
    ballast_ohm: float = 0.0
    primary_ohm: float = 3.0
    primary_h: float = 7e-3
    temperature_c: float = 20.0
    turns: float = 80.0
    coupling: float = 0.95
    secondary_ohm: float = 8e3
    secondary_f: float = 50e-12
    loss_ohm: float = 3e6
    breakdown_v: tuple[float, ...] = (9e3,)
    burn_v: float = 1200.0
    burn_slope_ohm: float = 4e3
    hold_a: float = 1e-3
    condenser_f: float = 0.22e-6
    condenser_ohm: float = 0.3
    leak_ohm: float = 50e6
    contact_ohm: tuple[float, ...] = (0.01,)
    plate_ohm: float = 0.01
    film_v: float = 0.0
    arc_v: float = 450.0
    reversed: bool = False
    pickup_sense: int = 1
    pickup_lobe: int | None = None
    channels: tuple[str, ...] = TWO
    range_v: float = 50.0
    offsets_s: tuple[float, ...] = (0.0, 2e-6)
    gains: tuple[float, ...] = (1.0, 1.0)
    zero_counts: tuple[float, ...] = (0.0, 0.0)
    u_gain: float = 0.003
    u_zero_counts: float = 2.0
    told: bool = True

    @property
    def total_ohm(self) -> float:
        return self.source_ohm + self.ballast_ohm + self.primary_ohm + self.plate_ohm

    @property
    def drawn_ohm(self) -> float:
        """The typical drop's resistance: contact, plate and lead."""
        return float(np.mean(self.contact_ohm)) + self.plate_ohm

    def resistance_20c_ohm(self) -> float:
        return self.primary_ohm / (1.0 + COPPER * (self.temperature_c - 20.0))


_CIRCUIT = {f.name for f in fields(Circuit)}


def ignition_conditions(seed: int, **given: Any) -> tuple[Conditions, Circuit]:
    """A run of 20 to 60 openings and its circuit, drawn; fields of both may be given.

    Besides: ``rpm``, ``openings`` (about so many), ``seconds``. Drawn: 4, 5, 6 or 8 lobes, 300 to 2,500
    rpm, bounce in half the runs, 6 or 12 V (-5 to +20 %), either polarity, ballast none or up to 2 ohm,
    primary 1 to 4 ohm and 3 to 12 mH (at most 8 A at rest), turns 60 to 110, k 0.9 to 0.985, secondary
    4 to 12 kohm and 30 to 90 pF with 0.3 to 8 Mohm of losses, condenser 0.15 to 0.3 uF with 0.1 to 0.6
    ohm and 5 to 500 Mohm, contact 5 to 40 milliohm (a fifth of it from closing to closing), plate and
    lead 2 to 20, a film of up to 40 mV in a quarter; gap 6 to 15 kV, for each opening, burning at 600 to
    2,500 V; in a sixth of the runs one tower never fires, in another sixth a few openings do not.
    """
    rng = np.random.default_rng([seed, 0x161717])
    own = {k: given.pop(k) for k in list(given) if k in _CIRCUIT}
    lobes = int(given.pop("lobes", rng.choice([4, 4, 4, 5, 6, 6, 8, 8])))
    rpm = float(given.pop("rpm", np.exp(rng.uniform(np.log(300), np.log(2500)))))
    # Four revolutions at least: of fewer there is no mean of whole ones.
    openings = max(int(given.pop("openings", rng.integers(20, 61))), 4 * lobes)
    seconds = float(given.pop("seconds", (openings / lobes + 0.3) / (rpm / 60)))
    rate = float(rng.choice([250e3, 500e3 / 3]))
    nominal = float(rng.choice([6.0, 12.0]))
    supply = float(own.get("supply_v", nominal * rng.uniform(0.95, 1.2)))
    scatter = float(rng.uniform(0.01, 0.05))
    given = {
        "rate_hz": rate, "reference": "index", "bounce": float(rng.choice([0.0, 0.4])),
        "bounce_most": 3, "scatter_deg": scatter, "unipolar": False, "pickup_v": 0.0,
        "drift_v": 0.0, "offset_v": 0.0, "feed": "coil", "supply_v": supply,
        "polarity": int(rng.choice([1, -1])), **given,
    }  # fmt: skip
    c = draw(seed, lobes=lobes, rpm=rpm, seconds=seconds, **given)
    if "dwell_deg" not in given:
        # Ordinary dwell: 45 to 70 % of the pitch.
        pitch = 360.0 / lobes
        dwell = rng.uniform(0.45, 0.7) * pitch + rng.normal(0, 0.3, lobes).clip(-0.6, 0.6)
        c = replace(c, dwell_deg=tuple(dwell.tolist()))
    return c, replace(_circuit(rng, c, supply, own), **own)


def _circuit(
    rng: np.random.Generator, c: Conditions, supply: float, own: Mapping[str, Any]
) -> Circuit:
    while True:
        primary = float(own.get("primary_ohm", rng.uniform(1.0, 4.0)))
        ballast = float(own.get("ballast_ohm", rng.choice([0.0, rng.uniform(0.4, 2.0)])))
        source = float(rng.uniform(0.02, 0.15))
        if supply / (primary + ballast + source) < 8.0 or {"primary_ohm", "ballast_ohm"} <= set(
            own
        ):
            break
    openings = 400
    gap = rng.uniform(6e3, 15e3) + rng.normal(0, 1e3, openings)
    gap = gap.clip(6e3, 15e3)
    fate = rng.random()
    tower = int(rng.integers(c.lobes))
    few = rng.random(openings) < 0.15
    if fate < 1 / 6:
        gap[np.arange(openings) % c.lobes == tower] = NEVER_V
    elif fate < 2 / 6:
        gap[few] = NEVER_V
    ohm = float(np.exp(rng.uniform(np.log(5e-3), np.log(40e-3))))
    film = float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.01, 0.04)]))
    channels = tuple(own.get("channels", TWO if c.rate_hz > 200e3 else THREE))
    n = len(channels)
    u_gain = float(own.get("u_gain", rng.uniform(0.001, 0.003)))
    u_zero = float(own.get("u_zero_counts", rng.uniform(0.5, 3.0)))
    return Circuit(
        supply_v=supply,
        source_ohm=source,
        ballast_ohm=ballast,
        primary_ohm=primary,
        primary_h=float(rng.uniform(3e-3, 12e-3)),
        temperature_c=float(rng.uniform(10, 60)),
        turns=float(rng.uniform(60, 110)),
        coupling=float(rng.uniform(0.9, 0.985)),
        secondary_ohm=float(rng.uniform(4e3, 12e3)),
        secondary_f=float(rng.uniform(30e-12, 90e-12)),
        loss_ohm=float(np.exp(rng.uniform(np.log(0.3e6), np.log(8e6)))),
        breakdown_v=tuple(gap.tolist()),
        burn_v=float(rng.uniform(600, 2500)),
        burn_slope_ohm=float(rng.uniform(1e3, 6e3)),
        condenser_f=float(rng.uniform(0.15e-6, 0.3e-6)),
        condenser_ohm=float(rng.uniform(0.1, 0.6)),
        leak_ohm=float(np.exp(rng.uniform(np.log(5e6), np.log(500e6)))),
        contact_ohm=tuple((ohm * (1 + 0.2 * rng.normal(0, 1, openings).clip(-2, 2))).tolist()),
        plate_ohm=float(rng.uniform(2e-3, 20e-3)),
        film_v=film,
        channels=channels,
        range_v=float(rng.choice([50.0, 400.0])),
        # The round robin takes its channels one after the other within a sample.
        offsets_s=tuple((np.arange(n) / n / c.rate_hz).tolist()),
        gains=tuple((1 + u_gain * rng.normal(0, 1, n)).tolist()),
        zero_counts=tuple((u_zero * rng.normal(0, 1, n)).tolist()),
        u_gain=u_gain,
        u_zero_counts=u_zero,
    )
