"""Faults that can be put into a distributor by name and level, and conditions of the bench.

A *fault* is something a hand must mend on the distributor; its level says how bad it is. *slight*
lies inside the limits of a common specification, *needs repair* clearly outside, and with *dead*
the distributor would not run an engine. A *condition* is no fault of the distributor: something
about the drive, the sensors or the wiring that a good bench sees through, or says.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from breakerbench.bench.advance_faults import ADVANCE_FAULTS
from breakerbench.bench.arm_for import healthy_arm, restitution_for
from breakerbench.bench.cam import shift_deg_per_mm
from breakerbench.bench.drive import Ripple, rolling_start
from breakerbench.bench.electric_faults import ELECTRIC_FAULTS
from breakerbench.bench.hand import by_hand
from breakerbench.bench.model import Bench
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.settling import Dirt
from breakerbench.errors import BadInput

LEVELS: tuple[str, ...] = ("slight", "needs repair", "dead")


def named_faults(texts: Iterable[str]) -> Iterator[tuple[str, str]]:
    """(name, level) of each ``NAME=LEVEL``."""
    for text in texts:
        name, _, level = (part.strip() for part in text.partition("="))
        yield name, level


def with_faults(bench: Bench, texts: Iterable[str]) -> Bench:
    """The bench with each ``NAME=LEVEL`` put into its distributor. Raises BadInput."""
    for name, level in named_faults(texts):
        bench = apply(bench, name, level)
    return bench


def apply(bench: Bench, name: str, level: str) -> Bench:
    """The bench with a fault put into its distributor.

    Raises BadInput for a name or a level that does not exist, or a fault that this distributor
    cannot have.
    """
    where = f"fault {name}={level}"
    if name not in FAULTS:
        raise BadInput(where, f"there is no fault called {name!r}", f"use {_choice(FAULTS)}")
    spoken = level.replace("-", " ").replace("_", " ").strip()
    if spoken not in LEVELS:
        raise BadInput(where, f"there is no level called {level!r}", f"use {_choice(LEVELS)}")
    changed = FAULTS[name](bench, LEVELS.index(spoken))
    return replace(changed, notes=(*bench.notes, f"{name}: {spoken}"))


def set_condition(bench: Bench, name: str) -> Bench:
    """The bench under a condition. Raises BadInput for a name that does not exist."""
    if name not in CONDITIONS:
        raise BadInput(
            f"condition {name}",
            f"there is no condition called {name!r}",
            f"use {_choice(CONDITIONS)}",
        )
    return replace(CONDITIONS[name](bench), notes=(*bench.notes, name))


def _choice(names: Mapping[str, object] | tuple[str, ...]) -> str:
    return "one of: " + ", ".join(names)


def _shift(bench: Bench) -> float:
    """Degrees an edge moves for a millimetre of the rubbing block, at the present gap."""
    half_open = bench.cam.half_open_deg(bench.cam.gap_mm)
    return float(shift_deg_per_mm(bench.cam, np.array(half_open)))


def _gap_narrow(bench: Bench, level: int) -> Bench:
    return _narrowed(bench, level, (0.015, 0.10))


def _narrowed(bench: Bench, level: int, shares: tuple[float, float]) -> Bench:
    """A gap that gives more dwell by a share of the pitch, or, at the last level, none at all."""
    cam = bench.cam
    if level == 2:
        # closed even on the highest lobe, wherever an eccentric cam lifts it most
        highest = max(cam.lift_error_mm, default=0.0) + bench.shaft.eccentricity_mm
        return replace(bench, cam=replace(cam, gap_mm=-highest - 0.02))
    more = shares[level] * cam.pitch_deg
    dwell = min(cam.dwell_deg() + more, 0.97 * cam.pitch_deg)
    return replace(bench, cam=replace(cam, gap_mm=cam.gap_for_dwell_mm(dwell)))


def _gap_wide(bench: Bench, level: int) -> Bench:
    cam = bench.cam
    if level == 2:
        gap = cam.lift_mm + bench.shaft.eccentricity_mm + 0.05
        return replace(bench, cam=replace(cam, gap_mm=gap))
    less = (0.015, 0.10)[level] * cam.pitch_deg
    dwell = max(cam.dwell_deg() - less, cam.dwell_deg(0.98 * cam.lift_mm))
    return replace(bench, cam=replace(cam, gap_mm=cam.gap_for_dwell_mm(dwell)))


def _bushing_worn(bench: Bench, level: int) -> Bench:
    scatter_deg = (0.35, 1.0, min(3.0, bench.cam.pitch_deg / 20.0))[level]
    play_mm = 4.0 * scatter_deg / _shift(bench)
    # a loose shaft also leans over as it speeds up, here towards the points
    lean = -0.05 * play_mm
    shaft = replace(bench.shaft, play_mm=play_mm, lean_mm_per_1000rpm=lean, closing_share=0.9)
    return replace(bench, shaft=shaft)


def _shaft_bent(bench: Bench, level: int) -> Bench:
    pitch = bench.cam.pitch_deg
    swing_deg = (min(0.5, pitch / 90.0), min(2.0, pitch / 30.0), min(6.0, pitch / 8.0))[level]
    eccentricity = swing_deg / _shift(bench)
    return replace(bench, shaft=replace(bench.shaft, eccentricity_mm=eccentricity))


def _cam_uneven(bench: Bench, level: int) -> Bench:
    cam = bench.cam
    if cam.lobes == 1:
        raise BadInput("fault cam-uneven", "a cam of one lobe has no spacing", "use more lobes")
    worst_deg = min((0.4, 2.0, 6.0)[level], cam.pitch_deg / 8.0)
    pattern = np.sin(1.0 + 2.4 * np.arange(cam.lobes))
    pattern -= np.mean(pattern)
    pattern *= worst_deg / np.max(np.abs(pattern))
    errors = np.array(cam.angle_error_deg or (0.0,) * cam.lobes) + pattern
    return replace(bench, cam=replace(cam, angle_error_deg=tuple(errors.tolist())))


def _lobe_worn(bench: Bench, level: int) -> Bench:
    cam = bench.cam
    if level == 2:
        # too low to open the contact even where an eccentric cam lifts it most
        low_mm = cam.gap_mm + bench.shaft.eccentricity_mm + 0.05
    else:
        # the flank shrinks with the lobe: what is left of it at the contact comes so much later
        later_deg = (0.6, 3.0)[level] * cam.pitch_deg / 90.0
        phase = math.pi * (cam.half_open_deg(cam.gap_mm) - later_deg) / cam.half_width_deg
        share = (1.0 - math.cos(phase)) / 2.0
        low_mm = (cam.gap_mm - share * cam.lift_mm) / (1.0 - share)
    errors = list(cam.lift_error_mm or (0.0,) * cam.lobes)
    errors[cam.lobes // 2] = -low_mm
    return replace(bench, cam=replace(cam, lift_error_mm=tuple(errors)))


def _spring_weak(bench: Bench, level: int) -> Bench:
    # bends and bounces both come with the root of the force: lower by 5, 60 and 85 %
    share = (0.9, 0.16, 0.02)[level]
    arm = healthy_arm(bench)
    weak = replace(arm, preload_n=share * arm.preload_n, rate_n_per_m=share * arm.rate_n_per_m)
    return replace(bench, arm=weak)


def _points_bounce(bench: Bench, level: int) -> Bench:
    arm, onset_rpm = healthy_arm(bench), (2000.0, 900.0, 500.0)[level]
    loose = replace(arm, restitution=restitution_for(arm, bench.cam, onset_rpm))
    return replace(bench, arm=replace(loose, restitution_spread=0.3))


def _arm_sticking(bench: Bench, level: int) -> Bench:
    arm = healthy_arm(bench)
    return replace(bench, arm=replace(arm, friction_n=(0.1, 0.85, 1.05)[level] * arm.preload_n))


def _block_worn(bench: Bench, level: int) -> Bench:
    return _narrowed(bench, level, (0.025, 0.14))


def _contact_missing(bench: Bench, level: int) -> Bench:
    share = (0.0005, 0.01, 0.1)[level]
    return replace(bench, dirt=Dirt(share, share))


FAULTS: Mapping[str, Callable[[Bench, int], Bench]] = {
    "points-gap-narrow": _gap_narrow,
    "points-gap-wide": _gap_wide,
    "bushing-worn": _bushing_worn,
    "shaft-bent": _shaft_bent,
    "cam-uneven": _cam_uneven,
    "lobe-worn": _lobe_worn,
    **ADVANCE_FAULTS,
    "points-spring-weak": _spring_weak,
    "points-bounce": _points_bounce,
    "arm-sticking": _arm_sticking,
    "block-worn": _block_worn,
    "contact-missing": _contact_missing,
    **ELECTRIC_FAULTS,
}


def _hand_turned(bench: Bench) -> Bench:
    drive = by_hand(1, max(bench.drive.seconds, 40.0), bench.drive.start_deg)
    return replace(bench, drive=drive, chatter_s=0.003)


def _condenser_across_feed(bench: Bench) -> Bench:
    if bench.ignition is not None:
        raise BadInput(
            "condition condenser-across-feed",
            "a coil has its condenser across the points anyway",
            "use it with a dry feed, or a fault of the condenser",
        )
    return replace(bench, feed=replace(bench.feed, condenser_f=0.22e-6))


def _drive_rippling(bench: Bench) -> Bench:
    ripples = (Ripple(0.02, 2.0, 40.0), Ripple(0.01, 0.37, 110.0))
    return replace(bench, drive=replace(bench.drive, ripples=ripples))


def _rolling_start(bench: Bench) -> Bench:
    speed = bench.drive.points[-1][1]
    drive = rolling_start(speed, 0.5, 1.5, max(bench.drive.seconds - 2.0, 1.0))
    return replace(bench, drive=replace(bench.drive, points=drive.points))


def _supply_unsteady(bench: Bench) -> Bench:
    return replace(bench, feed=replace(bench.feed, drift_share_per_s=-0.02))


def _mains_pick_up(bench: Bench) -> Bench:
    amps = bench.feed.closed_a if bench.ignition is None else 0.02 * bench.ignition.most_a
    feed = replace(bench.feed, pick_up_v=0.3, pick_up_a=0.05 * amps)
    return replace(bench, feed=feed)


def _positive_ground(bench: Bench) -> Bench:
    feed = replace(bench.feed, positive_ground=True)
    if bench.ignition is None:
        return replace(bench, feed=feed)
    return replace(bench, feed=feed, ignition=replace(bench.ignition, positive_ground=True))


def _index(bench: Bench) -> Index:
    return bench.index or Index()


def _encoder_losing(bench: Bench) -> Bench:
    encoder = replace(bench.encoder or Encoder(), bursts_per_s=1.0, burst_edges=25)
    return replace(bench, encoder=encoder)


CONDITIONS: Mapping[str, Callable[[Bench], Bench]] = {
    "condenser-across-feed": _condenser_across_feed,
    "drive-rippling": _drive_rippling,
    "rolling-start": _rolling_start,
    "supply-unsteady": _supply_unsteady,
    "mains-pick-up": _mains_pick_up,
    "positive-ground": _positive_ground,
    "index-pulses-missing": lambda b: replace(b, index=replace(_index(b), missing_share=0.05)),
    "index-pulses-doubled": lambda b: replace(b, index=replace(_index(b), doubled_share=0.1)),
    "index-spurious": lambda b: replace(b, index=replace(_index(b), spurious_per_s=2.0)),
    "index-inverted": lambda b: replace(b, index=replace(_index(b), inverted=True)),
    "encoder-bursts-lost": _encoder_losing,
    "index-on-rotor": lambda b: replace(b, on_rotor=True),
    "drive-backwards": lambda b: replace(b, drive=replace(b.drive, backwards=True)),
    "hand-turned": _hand_turned,
    "no-index": lambda b: replace(b, index=None),
    "no-encoder": lambda b: replace(b, encoder=None),
    "no-index-no-encoder": lambda b: replace(b, index=None, encoder=None),
}
