"""The distributor of the demo: invented from end to end, belonging to nobody and to no engine.

Four lobes, 12 V, negative ground; contact gap 0.635 mm; dwell 50 to 58 deg, to be set to 52 with
new points. Its weights begin to move at about 450 rpm and are all out, 11 deg ahead, at 1,700 rpm.
It comes in with a gap far too narrow, worn bushings, weights that stick and burnt contacts, and goes out
mended. It is swept on a dry feed, and run on a coil at one speed.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from breakerbench.bench.arm_for import HEALTHY_FLOAT_RPM, HEALTHY_ONSET_RPM, arm_for
from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import Drive, Ripple
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.faults import apply
from breakerbench.bench.feed import Feed
from breakerbench.bench.front_end import FrontEnd
from breakerbench.bench.model import Bench
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.weights import weights_for

#: What it is to be like; the limits on the coil apart, so that a dry run is not asked for them.
SPECIFICATION = Path(__file__).with_name("demo.toml")
ON_COIL = Path(__file__).with_name("demo-coil.toml")
#: Conversions a second that all channels of the bench share.
CONVERSIONS_HZ = 500e3
#: The demo's run, (s, rpm): at rest of the weights, up through the range, and down again.
SWEEP: tuple[tuple[float, float], ...] = (
    (0.0, 250.0), (4.0, 250.0), (19.0, 1900.0), (21.0, 1900.0), (36.0, 250.0), (40.0, 250.0),
)  # fmt: skip


def healthy() -> Bench:
    """A distributor as good as an old one gets, on a bench as a workshop has it."""
    cam = replace(
        cam_for(4, 52.4, 0.635, first_opening_deg=31.0),
        angle_error_deg=(0.12, -0.08, -0.15, 0.11),
        lift_error_mm=(0.002, -0.003, 0.0, 0.001),
    )
    front_end = FrontEnd(closing_lag_s=0.1e-6, u_delay_s=0.2e-6)
    return Bench(
        cam=cam,
        shaft=Shaft(scatter_deg=0.09, eccentricity_mm=0.004, eccentricity_deg=70.0),
        arm=arm_for(cam, HEALTHY_FLOAT_RPM, HEALTHY_ONSET_RPM),
        weights=weights_for(450.0, (1000.0, 7.0), (1700.0, 11.0), friction_share=0.03),
        drive=Drive(SWEEP, (Ripple(0.004, 1.0, 15.0), Ripple(0.003, 0.41, 200.0))),
        feed=Feed(volts=12.4, series_ohm=24.0, contact_ohm=0.03, pick_up_v=0.02),
        points=front_end,
        current=front_end,
        index=Index(jitter_deg=0.01),
        encoder=Encoder(pulses=360, placement_deg=0.006, jitter_deg=0.001),
    )


#: Speed on the coil, rpm, how long, s, and what is recorded.
COIL_RPM, COIL_S = 600.0, 3.0
COIL_CHANNELS = ("points_v", "current_a", "supply_v", "contact_v")


def on_coil(bench: Bench) -> Bench:
    """The same distributor on a coil, at one speed, for the electrical figures alone."""
    made = on_a_coil(bench)
    rate_hz = CONVERSIONS_HZ / len(COIL_CHANNELS)
    return replace(
        made,
        kind="coil",
        temperature_c=made.ignition.coil_c if made.ignition else None,
        drive=Drive(((0.0, COIL_RPM), (COIL_S, COIL_RPM)), made.drive.ripples),
        channels=COIL_CHANNELS,
        converter=replace(made.converter, sample_rate_hz=rate_hz),
    )


def before_on_coil() -> Bench:
    """On the coil as it came in."""
    return apply(on_coil(before()), "points-burnt", "needs repair")


def after_on_coil() -> Bench:
    """And as it went out."""
    return on_coil(after())


def before() -> Bench:
    """The same distributor as it came in."""
    bench = healthy()
    for fault in ("bushing-worn", "points-gap-narrow", "weights-sticking"):
        bench = apply(bench, fault, "needs repair")
    return bench


def after() -> Bench:
    """And as it went out: new bushings and points, gap set, weights free."""
    return replace(
        healthy(), notes=("bushings and points renewed, gap set", "weights freed and oiled")
    )
