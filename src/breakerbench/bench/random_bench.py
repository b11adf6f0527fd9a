"""A random distributor on a random bench, over wide ranges, for sweeps of the measurements.

Every error that the header states an uncertainty for is drawn from the distribution it states, so
that a true value must lie inside a stated uncertainty as often as that promises.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from breakerbench.bench.arm import Arm
from breakerbench.bench.arm_for import arm_for, restitution_for
from breakerbench.bench.cam import Cam, cam_for, shift_deg_per_mm
from breakerbench.bench.drive import Drive, Ripple
from breakerbench.bench.feed import Feed
from breakerbench.bench.front_end import Converter, FrontEnd
from breakerbench.bench.model import Bench
from breakerbench.bench.random_circuit import random_circuit
from breakerbench.bench.randomness import log_uniform, stream
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.settling import Dirt
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.weights import SprungWeights, weights_for

PULSES = (60, 90, 100, 120, 180, 200, 256, 360, 500, 512, 720, 1000, 1024)
CURRENT_RANGES_A = (0.1, 1.0, 10.0)


def random_bench(seed: int, **fixed: Any) -> Bench:
    """A random bench; what is named in ``fixed`` is not left to chance.

    All else stays as the seed has it. Names that may be fixed: ``lobes``, ``closed_share`` (of the
    pitch), ``gap_mm``, ``uneven`` (nominal angles not evenly spaced), ``cam_error_deg`` (standard
    deviation of angle and height errors), ``swing_deg`` (of eccentricity), ``scatter_deg``,
    ``closing_share``, ``speed_rpm``, ``speed_change`` (share, over the run), ``seconds``,
    ``ripple_share`` (0 without an encoder, unless fixed), ``volts``, ``positive_ground``,
    ``series_ohm``, ``condenser`` (across the points), ``sample_rate_hz``, ``noise_counts``,
    ``u_delay_s``, ``index``, ``encoder`` (whether there is one), ``pulses``, ``both_edges``,
    ``u_position_deg``.
    """
    chance = stream(seed, "random bench")
    lobes = int(chance.integers(1, 13))
    drawn: dict[str, Any] = {
        "lobes": lobes,
        "closed_share": chance.uniform(0.45, 0.8),
        "gap_mm": chance.uniform(0.3, 0.65),
        "uneven": bool(chance.random() < 0.2),
        "cam_error_deg": chance.uniform(0.0, 0.4),
        "swing_deg": chance.uniform(0.0, 0.5),
        "scatter_deg": chance.uniform(0.03, 0.4),
        "closing_share": chance.uniform(0.3, 1.0),
        "speed_rpm": log_uniform(chance, 150.0, 2500.0),
        "speed_change": chance.uniform(-0.02, 0.02),
        "seconds": 4.0,
        "volts": float(chance.choice([6.0, 12.0])) * chance.uniform(0.95, 1.15),
        "positive_ground": bool(chance.random() < 0.5),
        "series_ohm": log_uniform(chance, 4.0, 300.0),
        "condenser": bool(chance.random() < 0.25),
        "sample_rate_hz": round(log_uniform(chance, 20e3, 250e3), -2),
        "noise_counts": chance.uniform(0.5, 6.0),
        "u_delay_s": log_uniform(chance, 0.05e-6, 0.5e-6),
        "index": True,
        "encoder": bool(chance.random() < 0.5),
        "pulses": int(chance.choice(PULSES)),
        "both_edges": bool(chance.random() < 0.5),
        "u_position_deg": log_uniform(chance, 0.001, 0.02),
        "ripple_share": log_uniform(chance, 0.0005, 0.03),
    }
    if not fixed.get("encoder", drawn["encoder"]):
        drawn["ripple_share"] = 0.0
    if unknown := fixed.keys() - drawn.keys():
        raise TypeError(f"random_bench cannot fix {', '.join(sorted(unknown))}")
    drawn |= fixed
    cam = _cam(stream(seed, "random cam"), drawn)
    shift = float(shift_deg_per_mm(cam, np.array(cam.half_open_deg(cam.gap_mm))))
    feed = _feed(stream(seed, "random feed"), drawn)
    range_a = _current_range_a(feed)
    sensors = stream(seed, "random sensors")
    return Bench(
        cam=cam,
        shaft=Shaft(
            scatter_deg=drawn["scatter_deg"],
            closing_share=drawn["closing_share"],
            eccentricity_mm=drawn["swing_deg"] / shift,
            eccentricity_deg=chance.uniform(0.0, 360.0),
        ),
        drive=_drive(stream(seed, "random drive"), drawn),
        feed=feed,
        points=_front_end(stream(seed, "random points"), drawn, 0.05),
        current=_front_end(stream(seed, "random current"), drawn, 0.005 * range_a),
        current_range_a=range_a,
        converter=Converter(drawn["sample_rate_hz"], 12, drawn["noise_counts"]),
        index=_index(sensors) if drawn["index"] else None,
        encoder=_encoder(sensors, drawn) if drawn["encoder"] else None,
        notes=(f"random bench {seed}",),
    )


def random_sweep(seed: int, **fixed: Any) -> Bench:
    """The bench of ``random_bench`` with random weights, swept through their range and back.

    It begins below where they start; in a third of the cases it turns round before their stop.
    ``fixed`` as there (speed and length are those of the sweep).
    """
    bench = random_bench(seed, **fixed)
    chance = stream(seed, "random weights")
    weights, start_rpm, full_rpm = _weights(chance)
    low = chance.uniform(0.4, 0.8) * start_rpm
    high = full_rpm * (chance.uniform(1.02, 1.2) if chance.random() < 2 / 3 else 0.85)
    ramp_s = (high - low) / chance.uniform(60.0, 160.0)
    points = [(0.0, low)]
    for lasting, rpm in ((2.0, low), (ramp_s, high), (2.0, high), (ramp_s, low), (1.5, low)):
        points.append((points[-1][0] + lasting, rpm))
    return replace(bench, weights=weights, drive=replace(bench.drive, points=tuple(points)))


def _weights(chance: np.random.Generator) -> tuple[SprungWeights, float, float]:
    """One or two springs, and the speeds of start and stop."""
    two = bool(chance.random() < 0.6)
    start_rpm = chance.uniform(350.0, 800.0)
    full_rpm = min(start_rpm * chance.uniform(1.5, 3.5), 2400.0)
    full_deg = chance.uniform(5.0, 16.0)
    friction = chance.uniform(0.0, 0.1)
    bend = None
    if two:
        # by the square of the speed the first stretch is the steeper one, as two springs have it
        share = chance.uniform(0.15, 0.45)
        square = start_rpm**2 + share * (full_rpm**2 - start_rpm**2)
        bend = (math.sqrt(square), full_deg * (share + (1.0 - share) * chance.uniform(0.1, 0.5)))
    return weights_for(start_rpm, bend, (full_rpm, full_deg), friction), start_rpm, full_rpm


def random_arm_bench(seed: int, sweep: bool = False, **fixed: Any) -> Bench:
    """A random bench with a random breaker arm, dry feed.

    sweep  True: the speed rises in twelve seconds from half the onset of bounce (or any speed where
           the arm does not bounce) to 1.6 times as much; else the drive is that of ``random_bench``

    Names that may be fixed, beside those of ``random_bench``: ``onset_rpm`` (at which one closing in
    twenty settles later than 0.5 deg, None: it hardly bounces), ``float_rpm``, ``friction_share`` (of
    the spring's preload), ``restitution_spread``, ``block_restitution``, ``blow_s``, ``missed_share``
    (of the openings and of the closings, by dirt).
    """
    chance = stream(seed, "random arm")
    bounces = bool(chance.random() < 0.85)
    onset_rpm = chance.uniform(600.0, 3000.0)
    drawn: dict[str, Any] = {
        "onset_rpm": onset_rpm if bounces else None,
        "float_rpm": log_uniform(chance, 1500.0, 6000.0),
        "friction_share": chance.uniform(0.0, 0.3),
        "restitution_spread": chance.uniform(0.0, 0.4),
        "block_restitution": chance.uniform(0.0, 0.5),
        "blow_s": Arm().blow_s,
        "missed_share": 0.0,
    }
    drawn |= {name: fixed.pop(name) for name in tuple(fixed) if name in drawn}
    bench = random_bench(seed, **fixed)
    arm = arm_for(bench.cam, drawn["float_rpm"], None)
    arm = replace(
        arm,
        friction_n=drawn["friction_share"] * arm.preload_n,
        restitution_spread=drawn["restitution_spread"],
        block_restitution=drawn["block_restitution"],
        blow_s=drawn["blow_s"],
    )
    arm = replace(arm, restitution=restitution_for(arm, bench.cam, drawn["onset_rpm"]))
    missed = drawn["missed_share"]
    bench = replace(bench, arm=arm, dirt=Dirt(missed, missed) if missed else None)
    if not sweep:
        return bench
    middle = drawn["onset_rpm"] or onset_rpm
    points = ((0.0, 0.5 * middle), (12.0, 1.6 * middle))
    return replace(bench, drive=replace(bench.drive, points=points))


def random_ignition_bench(seed: int, **fixed: Any) -> Bench:
    """A random distributor on a random coil, condenser and set of gaps; half of them bounce.

    Names that may be fixed: those of ``random_circuit``, ``channels``, ``points_range_v``, ``bounces``
    (whether there is an arm that may), ``stated`` (whether gain and zero have stated uncertainties; their
    errors are drawn from these anyway), and the names of ``random_arm_bench``.
    """
    chance = stream(seed, "random ignition")
    lobes = int(fixed.get("lobes", chance.choice([4, 6, 8])))
    left = {"lobes": lobes, **fixed}
    circuit = random_circuit(stream(seed, "random circuit"), lobes, left)
    channels = left.pop("channels", ("points_v", "current_a"))
    range_v = left.pop("points_range_v", float(chance.choice([400.0, 400.0, 50.0])))
    bounces = left.pop("bounces", bool(chance.random() < 0.5))
    stated = left.pop("stated", True)
    settled = {
        "speed_rpm": log_uniform(chance, 300.0, 2500.0),
        "sample_rate_hz": min(250e3, 500e3 / len(channels)),
        "noise_counts": 4.0,
        "condenser": False,
    }
    make = random_arm_bench if bounces else random_bench
    bench = make(seed, **(settled | left))
    bench = replace(
        bench,
        ignition=circuit,
        channels=channels,
        points_range_v=range_v,
        current_range_a=next((a for a in (5.0, 10.0, 20.0) if 1.2 * circuit.most_a <= a), 50.0),
        temperature_c=circuit.coil_c,
        notes=(f"random ignition bench {seed}",),
    )
    ends = {
        name: _with_errors(stream(seed, f"random {name}"), bench, name, stated)
        for name in ("points_v", "current_a", "supply_v", "contact_v")
    }
    return replace(
        bench,
        points=ends["points_v"],
        current=ends["current_a"],
        supply=ends["supply_v"],
        contact=ends["contact_v"],
        pickup=replace(bench.points, offset=0.0),
    )


def _with_errors(chance: np.random.Generator, bench: Bench, name: str, stated: bool) -> FrontEnd:
    """Front end of a channel with errors of gain and zero, drawn from what is stated about them."""
    front_end = replace(
        bench.points,
        dead_s=chance.uniform(0.0, 2e-6),
        closing_lag_s=bench.points.u_delay_s * chance.standard_normal(),
    )
    u_gain = log_uniform(chance, 0.0005, 0.005)
    u_zero = log_uniform(chance, 0.0005, 0.01) * bench.full_scale(name)
    return replace(
        front_end,
        gain_error=u_gain * chance.standard_normal(),
        offset=u_zero * chance.standard_normal(),
        u_gain=u_gain if stated else None,
        u_zero=u_zero if stated else None,
    )


def _cam(chance: np.random.Generator, drawn: dict[str, Any]) -> Cam:
    lobes = drawn["lobes"]
    pitch = 360.0 / lobes
    nominal: tuple[float, ...] = ()
    offsets = chance.uniform(-0.06, 0.06, 12)[: lobes - 1] * pitch
    if drawn["uneven"] and lobes > 1:
        # as a specification would write them, to a tenth of a degree
        moved = np.round(pitch * np.arange(1, lobes) + offsets, 1)
        nominal = (0.0, *moved.tolist())
    # clear of angle 0 by more than all errors, so that there is no doubt which lobe is the first
    first = chance.uniform(0.2, 0.8) * (1.0 if not nominal else 0.8) * pitch
    cam = cam_for(lobes, drawn["closed_share"] * pitch, drawn["gap_mm"], first, nominal)
    shift = float(shift_deg_per_mm(cam, np.array(cam.half_open_deg(cam.gap_mm))))
    spread = drawn["cam_error_deg"]
    angles = np.clip(spread * chance.standard_normal(12), -1.0, 1.0)[:lobes]
    heights = np.clip(spread * chance.standard_normal(12), -1.0, 1.0)[:lobes] / shift
    return replace(
        cam,
        angle_error_deg=tuple(angles.tolist()),
        lift_error_mm=tuple(heights.tolist()),
    )


def _drive(chance: np.random.Generator, drawn: dict[str, Any]) -> Drive:
    half_change = 0.5 * drawn["speed_change"] * drawn["speed_rpm"]
    points = (
        (0.0, drawn["speed_rpm"] - half_change),
        (drawn["seconds"], drawn["speed_rpm"] + half_change),
    )
    locked = chance.uniform(0.3, 0.7)
    ripples = (
        Ripple(
            locked * drawn["ripple_share"],
            float(chance.integers(1, 5)),
            chance.uniform(0.0, 360.0),
        ),
        Ripple(
            (1.0 - locked) * drawn["ripple_share"],
            chance.uniform(0.1, 3.9),
            chance.uniform(0.0, 360.0),
        ),
    )
    start = chance.uniform(0.0, 360.0)
    return Drive(points, ripples if drawn["ripple_share"] else (), start)


def _feed(chance: np.random.Generator, drawn: dict[str, Any]) -> Feed:
    condenser = chance.uniform(0.15e-6, 0.3e-6)
    return Feed(
        volts=drawn["volts"],
        series_ohm=drawn["series_ohm"],
        contact_ohm=log_uniform(chance, 0.003, 0.1),
        condenser_f=condenser if drawn["condenser"] else 0.0,
        positive_ground=drawn["positive_ground"],
        drift_share_per_s=chance.uniform(-0.01, 0.01),
        pick_up_v=chance.uniform(0.0, 0.05),
        pick_up_a=chance.uniform(0.0, 0.005) * drawn["volts"] / drawn["series_ohm"],
        pick_up_hz=float(chance.choice([50.0, 60.0])),
    )


def _current_range_a(feed: Feed) -> float:
    return next(full for full in CURRENT_RANGES_A if 1.2 * feed.closed_a <= full)


def _front_end(chance: np.random.Generator, drawn: dict[str, Any], offset: float) -> FrontEnd:
    return FrontEnd(
        dead_s=chance.uniform(0.0, 2e-6),
        closing_lag_s=drawn["u_delay_s"] * chance.standard_normal(),
        u_delay_s=drawn["u_delay_s"],
        offset=offset * chance.uniform(-1.0, 1.0),
    )


def _index(chance: np.random.Generator) -> Index:
    return Index(
        width_deg=chance.uniform(3.0, 30.0),
        jitter_deg=log_uniform(chance, 0.0005, 0.01),
        delay_s=chance.uniform(0.0, 20e-6),
    )


def _encoder(chance: np.random.Generator, drawn: dict[str, Any]) -> Encoder:
    spacing = 360.0 / (drawn["pulses"] * (2 if drawn["both_edges"] else 1))
    stated = min(drawn["u_position_deg"], spacing / 20.0)
    # of the variance stated, this share is that of a disc off centre, in a random direction
    off_centre = stated * math.sqrt(chance.uniform(0.0, 0.8) * chance.integers(0, 2))
    sine, cosine = off_centre * chance.standard_normal(2)
    return Encoder(
        pulses=drawn["pulses"],
        both_edges=drawn["both_edges"],
        placement_deg=math.sqrt(stated**2 - off_centre**2),
        eccentric_deg=math.hypot(sine, cosine),
        eccentric_at_deg=math.degrees(math.atan2(sine, cosine)),
        u_position_deg=stated,
        first_deg=chance.uniform(0.05, 0.95) * spacing,
        jitter_deg=chance.uniform(0.0, 0.002),
        delay_s=chance.uniform(0.0, 20e-6),
    )
