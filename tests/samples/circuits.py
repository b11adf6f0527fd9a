"""Samples that are not from our simulator: circuits solved by ngspice, and the independent generator.

``python -m samples.make`` (from tests/) writes them to sample_traces.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from breakerbench.trace import Event, Header
from independent.conditions import Conditions, draw
from independent.generator import Made, TraceSource, make
from independent.spice import spice_made

FOUR = {
    "lobes": 4, "nominal_deg": (0.0, 90.0, 180.0, 270.0), "opening_deg": (31.2, 120.9, 211.0, 300.9),
    "dwell_deg": (52.3, 52.0, 52.4, 52.1), "scatter_deg": 0.06, "closing_scatter_deg": 0.05,
    "contact_ohm": 0.02, "bounce": 0.0, "pickup_v": 0.0, "drift_v": 0.0, "offset_v": 0.0,
    "rails_known": True, "unipolar": False, "polarity": 1, "front_hz": 30e3, "noise_counts": 4.0,
}  # fmt: skip


@dataclass
class Named:
    """A trace of the independent generator under the name of what made it."""

    source: TraceSource
    origin: str

    @property
    def header(self) -> Header:
        return replace(self.source.header, origin=self.origin)

    def __iter__(self) -> Iterator[Event]:
        return iter(self.source)

    def progress(self) -> tuple[float, float]:
        return self.source.progress()

    def close(self) -> None:
        self.source.close()


def figures(made: Made) -> dict[str, Any]:
    """What happened in the trace, in the keys of the result."""
    real = made.truth["realized"]
    return {
        "dwell": {"mean_deg": real["dwell_mean_deg"], "per_lobe_deg": real["dwell_per_lobe_deg"]},
        "spacing": {
            "error_deg": real["spacing_deg"],
            "interval_error_deg": real["interval_deg"],
        },
        "scatter": {"deg": real["scatter_deg"]},
        "supply": {"polarity": "negative ground" if made.c.polarity > 0 else "positive ground"},
    }


def by_ngspice(
    seed: int, values: Mapping[str, float], **given: Any
) -> tuple[Named, dict[str, Any]]:
    """A trace whose circuit is solved by ngspice, and what happened in it."""
    c = draw(seed, **FOUR | {"reference": "index"} | given)
    made = spice_made(c, dict(values))
    return Named(TraceSource(made), "ngspice, netlist of the tests"), figures(made)


def generated(seed: int, **given: Any) -> tuple[Named, dict[str, Any], Conditions]:
    """A trace of the independent generator, and what happened in it."""
    c = draw(seed, **FOUR | given)
    made = make(c)
    return Named(TraceSource(made), "independent generator of the tests"), figures(made), c


def ringing_coil() -> tuple[Named, dict[str, Any]]:
    """3.4 ohm, 8 mH coil with its secondary, 0.22 uF condenser, no spark, 900 rpm."""
    values = {
        "secondary_h": 8e-3 * 80.0**2, "coupling": 0.95, "secondary_ohm": 8e3, "secondary_f": 60e-12,
        "loss_ohm": 2e6, "condenser_f": 0.22e-6, "condenser_ohm": 0.2,
    }  # fmt: skip
    return by_ngspice(
        4101, values, feed="coil", supply_v=12.6, coil_ohm=3.4, coil_h=8e-3, rpm=900.0, seconds=4.0,
        rate_hz=100e3, rail_v=50.0,
    )  # fmt: skip


def condenser_across_feed() -> tuple[Named, dict[str, Any]]:
    """A dry feed of 47 ohm with the condenser of 0.22 uF left in place, 900 rpm."""
    values = {"feed_ohm": 47.0, "condenser_f": 0.22e-6, "condenser_ohm": 0.3}
    return by_ngspice(
        4102, values, feed="dry", condenser_tau_s=47.0 * 0.22e-6, supply_v=12.6, rpm=900.0,
        seconds=4.0, rate_hz=100e3, rail_v=16.0,
    )  # fmt: skip


def six_volt_positive_ground() -> tuple[Named, dict[str, Any]]:
    """A healthy 6 V distributor of six lobes, positive ground, steady at 600 rpm."""
    lobes = 6
    source, truth, _ = generated(
        4103, lobes=lobes, nominal_deg=tuple(60.0 * k for k in range(lobes)),
        opening_deg=(25.1, 84.8, 145.0, 205.2, 264.9, 325.0),
        dwell_deg=(37.2, 37.0, 37.3, 37.1, 36.9, 37.2), feed="dry", condenser_tau_s=0.0,
        supply_v=6.3, polarity=-1, rpm=600.0, seconds=4.0, rate_hz=25e3, rail_v=16.0,
        reference="encoder", encoder_pulses=90, sampled=True, index_noise=0.0,
    )  # fmt: skip
    return source, truth
