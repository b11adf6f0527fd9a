"""What one generated trace is made of, and how a seed draws it.

``draw(seed, **given)`` draws everything that is not given. Plain numbers only: the truth of a case
can be read off this record.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Conditions:
    """One distributor on one bench before one converter. Angles in distributor degrees.

    profile            (s, rpm) corners of the mean speed, straight between them
    nominal_deg        the designer's opening angles, lobe 1 first, beginning with 0
    opening_deg        where each lobe opens on the cam with the weights at rest, from the index
    dwell_deg          closed angle that ends at that lobe's opening
    scatter_deg        standard deviation of each opening; closings have closing_scatter_deg
    wander_deg         standard deviation common to all openings and closings of one revolution
    advance            (rpm, deg) corners; openings and closings come that much earlier
    advance_falling    the same after the highest speed, where it is another curve
    vacuum             (s, deg): from that instant on the plate goes to so much advance, with the time
                       constant vacuum_lag_s; each degree of it shortens the dwell by vacuum_dwell_deg
    vacuum_told        (s, kPa) steps as the person enters them
    ripple_locked      (share of speed, cycles a revolution, phase); ripple_free (share, Hz, phase)
    feed               "dry" or "coil"
    condenser_tau_s    dry feed: time constant of the rise at opening, 0 without condenser
    front_hz           corner of the first-order front end, None for ideal sharp sampling
    rail_v             the converter spans -rail..rail, or 0..rail where ``unipolar``
    polarity           +1 negative ground, -1 positive ground
    bounce             share of the closings that bounce
    index, encoder     "none", "times" (edge times) or "sampled" (a column)
    """

    seed: int
    rate_hz: float = 250e3
    profile: tuple[tuple[float, float], ...] = ((0.0, 1000.0), (4.0, 1000.0))
    lobes: int = 4
    nominal_deg: tuple[float, ...] = (0.0, 90.0, 180.0, 270.0)
    opening_deg: tuple[float, ...] = (30.0, 120.0, 210.0, 300.0)
    dwell_deg: tuple[float, ...] = (50.0, 50.0, 50.0, 50.0)
    scatter_deg: float = 0.05
    closing_scatter_deg: float = 0.05
    wander_deg: float = 0.0
    start_deg: float = 0.0
    advance: tuple[tuple[float, float], ...] = ()
    advance_falling: tuple[tuple[float, float], ...] = ()
    vacuum: tuple[tuple[float, float], ...] = ()
    vacuum_lag_s: float = 0.3
    vacuum_dwell_deg: float = 0.0
    vacuum_told: tuple[tuple[float, float], ...] = ()
    ripple_locked: tuple[float, int, float] = (0.0, 1, 0.0)
    ripple_free: tuple[float, float, float] = (0.0, 10.0, 0.0)
    # circuit
    feed: str = "dry"
    supply_v: float = 12.0
    drift_v: float = 0.0
    pickup_v: float = 0.0
    pickup_hz: float = 50.0
    offset_v: float = 0.0
    polarity: int = 1
    drop_v: float = 0.1
    condenser_tau_s: float = 0.0
    coil_ohm: float = 3.0
    coil_h: float = 6e-3
    contact_ohm: float = 0.02
    ring_hz: float = 4000.0
    ring_q: float = 10.0
    spark: bool = True
    breakdown_v: float = 200.0
    burn_v: float = 35.0
    burn_s: float = 1.0e-3
    burn_q: float = 6.0
    end_kick: float = 1.0
    bounce: float = 0.0
    bounce_open_s: tuple[float, float] = (20e-6, 400e-6)
    bounce_most: int = 4
    # front end and converter
    front_hz: float | None = 30e3
    noise_counts: float = 4.0
    bits: int = 12
    rail_v: float = 50.0
    unipolar: bool = False
    rails_known: bool = True
    # angle reference
    index: str = "times"
    index_width_deg: float = 5.0  # 0: a pulse of one sample
    index_high: float = 1.0
    index_noise: float = 0.0
    index_inverted: bool = False
    index_missing: float = 0.0
    index_doubled: float = 0.0
    index_spurious: float = 0.0
    encoder: str = "none"
    encoder_pulses: int = 360
    encoder_duty: float = 0.5
    encoder_phase_deg: float = 0.3
    encoder_error_deg: float = 0.0
    encoder_bursts: int = 0
    tick_s: float = 16e-9
    notes: dict[str, Any] = field(default_factory=dict)

    @property
    def seconds(self) -> float:
        return self.profile[-1][0]

    @property
    def samples(self) -> int:
        return round(self.seconds * self.rate_hz)

    def __str__(self) -> str:
        """What differs from the defaults, short, for a message of a failing test."""
        said = []
        for f in fields(self):
            value = getattr(self, f.name)
            if f.name != "notes" and value != f.default:
                if isinstance(value, float):
                    value = float(f"{value:.6g}")
                elif isinstance(value, tuple) and value and isinstance(value[0], float):
                    value = tuple(round(float(v), 3) for v in value)
                said.append(f"{f.name}={value}")
        return ", ".join(said)


def draw(seed: int, **given: Any) -> Conditions:
    """Conditions of one case: ordinary bench work at random, every field open to ``given``.

    Two words more than the fields: ``rpm`` (steady speed), ``seconds`` (default 4), and
    ``uneven`` (lobes not evenly spaced by design). ``reference``: "index", "encoder" (index and
    encoder), "encoder alone", "none"; with ``sampled=True`` as columns.
    """
    rng = np.random.default_rng([seed, 0xC0FFEE])
    rpm = float(given.pop("rpm", np.exp(rng.uniform(np.log(200), np.log(2500)))))
    seconds = float(given.pop("seconds", 4.0))
    uneven = bool(given.pop("uneven", False))
    sampled = bool(given.pop("sampled", False))
    reference = str(given.pop("reference", rng.choice(["index", "encoder"])))

    rate = float(given.get("rate_hz", rng.choice([250e3, 250e3, 200e3, 166e3, 125e3, 100e3])))
    lobes = int(given.get("lobes", rng.choice([1, 2, 3, 4, 4, 4, 5, 6, 6, 8, 8, 10, 12])))
    pitch = 360.0 / lobes
    nominal = np.arange(lobes) * pitch
    if uneven and lobes > 1:
        nominal[1:] += rng.uniform(-0.12, 0.12, lobes - 1) * pitch
    error = rng.normal(0, 0.4, lobes).clip(-0.08 * pitch, 0.08 * pitch)
    first = rng.uniform(0.15, 0.8) * pitch * 0.9
    gaps = np.diff(np.append(nominal, 360.0))
    least_pitch = min(gaps.min(), pitch)
    dwell = rng.uniform(0.4, 0.72) * least_pitch + rng.normal(0, 0.3, lobes).clip(-0.6, 0.6)
    scatter = float(given.get("scatter_deg", rng.uniform(0.01, 0.12)))
    feed = str(given.get("feed", rng.choice(["dry", "coil"])))
    supply = float(given.get("supply_v", rng.choice([6.0, 12.0]) * rng.uniform(0.98, 1.18)))
    unipolar = bool(given.get("unipolar", rng.random() < 0.25))
    rails = [16.0, 25.0, 50.0]
    mode = "sampled" if sampled else "times"
    encoder = "encoder" in reference
    most = 720
    if sampled and encoder:  # at least six samples a pulse at the top speed
        top = max([rpm] + [r for _, r in given.get("profile", ())])
        most = min(720, int(rate / 6 / (top / 60)))
    pulses = max(int(rng.choice([60, 90, 100, 180, 250, 360, 500, 512, 720])), 1)
    base = Conditions(
        seed=seed,
        rate_hz=rate,
        profile=((0.0, rpm), (seconds, rpm)),
        lobes=lobes,
        nominal_deg=tuple(nominal.tolist()),
        opening_deg=tuple((first + nominal + error).tolist()),
        dwell_deg=tuple(dwell.tolist()),
        scatter_deg=scatter,
        closing_scatter_deg=scatter * float(rng.uniform(0.7, 1.5)),
        start_deg=float(rng.uniform(0, 360)),
        feed=feed,
        supply_v=supply,
        drift_v=float(rng.uniform(-0.6, 0.6)) * supply / 12,
        pickup_v=float(rng.choice([0.0, rng.uniform(0, 0.25)])) * supply / 12,
        pickup_hz=float(rng.choice([50.0, 60.0])),
        offset_v=float(rng.uniform(-0.3, 0.3)),
        polarity=1 if unipolar else int(rng.choice([1, -1])),
        drop_v=float(rng.uniform(0.01, 0.15)),
        condenser_tau_s=float(
            rng.choice([0.0, 0.0, np.exp(rng.uniform(np.log(2e-6), np.log(200e-6)))])
        ),
        coil_ohm=float(rng.uniform(1.5, 4.5)) * supply / 12 + 0.3,
        coil_h=float(rng.uniform(3e-3, 9e-3)),
        contact_ohm=float(rng.uniform(0.005, 0.04)),
        ring_hz=float(np.exp(rng.uniform(np.log(1500), np.log(8000)))),
        ring_q=float(rng.uniform(4, 14)),
        spark=bool(rng.random() < 0.75),
        breakdown_v=float(rng.uniform(90, 260)),
        burn_v=float(rng.uniform(20, 60)),
        burn_s=float(rng.uniform(0.5e-3, 1.5e-3)),
        burn_q=float(rng.uniform(3, 15)),
        end_kick=float(rng.uniform(0, 1.5)),
        front_hz=30e3,
        rail_v=float(rng.choice(rails)),
        unipolar=unipolar,
        rails_known=bool(rng.random() < 0.7),
        index="none" if reference in ("encoder alone", "none") else mode,
        encoder=mode if encoder else "none",
        encoder_pulses=min(pulses, most),
        encoder_phase_deg=float(rng.uniform(0, 6)),
        index_width_deg=float(rng.uniform(1, 20)),
    )
    return replace(base, **given)
