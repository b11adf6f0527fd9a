"""When the contact opens and closes: cam, shaft, their motion and the arm put together.

The outcome, ``Contact``, is nothing but a list of changes of state in time: what the circuit makes
of it does not depend on how the changes came about.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.arm import Arm
from breakerbench.bench.cam import Cam, half_open_deg, shift_deg_per_mm
from breakerbench.bench.motion import Motion
from breakerbench.bench.randomness import stream
from breakerbench.bench.settling import Dirt, Trains, drop_dirty, land, no_trains, trains_of
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.vacuum import VacuumUnit

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """State of the contact over the run.

    time_s           changes of state, strictly rising, s
    closed           state from each change on, alternating
    closed_at_start  state before the first change
    """

    time_s: Floats
    closed: NDArray[np.bool_]
    closed_at_start: bool


@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """Every opening and closing of the run, one row a revolution, one column a lobe.

    first_revolution  number of the revolution of row 0 (revolution 0 begins at shaft angle 0)
    cam_open_deg      where the geometry alone opens the contact, no scatter, no advance, deg
    cam_close_deg     the same of the closing that follows; late where the arm floats, deg
    open_deg          angle, as index and encoder have it, at which it really opened, counted on
                      through the revolutions
    close_deg         the same of the closing that follows
    open_s, close_s   when (first, where the shaft goes back), s; infinite before (-) and after (+)
                      the run
    deviation_deg     standard deviation of the scatter of each opening, deg
    landing_m_s       speed at which the contact lands; NaN without an arm
    trains            bounces; a closing is numbered by row times lobes plus column
    An opening or closing that does not occur is NaN throughout.
    """

    first_revolution: int
    cam_open_deg: Floats
    cam_close_deg: Floats
    open_deg: Floats
    close_deg: Floats
    open_s: Floats
    close_s: Floats
    deviation_deg: Floats
    landing_m_s: Floats
    trains: Trains = field(default_factory=no_trains)


def turn(
    cam: Cam,
    shaft: Shaft,
    motion: Motion,
    seed: int,
    vacuum: VacuumUnit | None = None,
    arm: Arm | None = None,
    dirt: Dirt | None = None,
) -> Turning:
    """All openings and closings of a run, with a revolution to spare at either end.

    arm   None: one that follows the cam at any speed and does not bounce
    dirt  None: there is none
    """
    first_deg, last_deg = motion.range_deg
    first = int(np.floor((first_deg - 360.0) / 360.0)) - 1
    last = int(np.ceil((last_deg + 360.0) / 360.0)) + 1
    revolutions = 360.0 * np.arange(first, last)[:, None]
    centres = cam.centres_deg + revolutions
    middle_s = motion.cam.time_s(centres)
    lean_mm = shaft.lean_mm_per_1000rpm * motion.speed_rpm(middle_s) / 1000.0
    pulled_deg = np.zeros_like(centres)
    if vacuum:
        pulled_deg = motion.plate.at_deg(middle_s)
        lean_mm += vacuum.widening_mm_per_deg * pulled_deg

    cam_open = _flank(cam, shaft, centres, lean_mm, -1.0)
    cam_close = _flank(cam, shaft, centres, lean_mm, +1.0)
    _drop_missed(cam_open, cam_close)

    half = half_open_deg(cam, cam.gap_mm + lean_mm, cam.lift_errors_mm)
    deviation = shaft.deviation_deg(shift_deg_per_mm(cam, half))
    if vacuum:
        deviation = np.hypot(deviation, np.where(pulled_deg > 0.0, vacuum.scatter_deg, 0.0))
    chance = stream(seed, "scatter").standard_normal((*centres.shape, 2))
    opens = cam_open + deviation * chance[..., 0]
    closes = cam_close + shaft.closing_share * deviation * chance[..., 1]

    # The cam runs ahead of the shaft by the advance; its rotation is what the contact follows.
    open_s, close_s = motion.cam.time_s(opens), motion.cam.time_s(closes)
    with np.errstate(invalid="ignore"):
        rate = (closes - opens) / (close_s - open_s)
    slow = 6.0 * motion.speed_rpm(middle_s)
    rate = np.where(np.isfinite(rate) & (rate > 0.0), rate, slow)
    open_deg = opens - motion.seen_deg(open_s)
    close_deg = closes - motion.seen_deg(close_s)
    _drop_crossed(open_deg, close_deg)
    trains, landing = no_trains(), np.full(centres.shape, np.nan)
    if arm or dirt:
        open_s[np.isnan(open_deg)] = close_s[np.isnan(close_deg)] = np.nan
        geometry = open_s.copy(), close_s.copy()
        if arm:
            there = np.where(np.isnan(open_s), np.nan, opens)
            found = land(arm, cam, there, closes, rate)
            found.apply(open_s, close_s)
            landing.ravel()[found.which] = found.landings.speed_m_s
            trains = trains_of(arm, found, open_s, close_s, seed)
            land(arm, cam, cam_open, cam_close, rate).apply(cam_open, cam_close, rate)
        if dirt:
            drop_dirty(dirt, open_s, close_s, seed)
            trains = trains.take(~np.isnan(close_s.ravel()[trains.closing]))
        for angles, times, before in zip(
            (open_deg, close_deg), (open_s, close_s), geometry, strict=True
        ):
            moved = np.isfinite(times) & (times != before)
            angles[moved] = motion.rotor.angle_deg(times[moved])
            angles[np.isnan(times)] = np.nan
    return Turning(
        first_revolution=first,
        cam_open_deg=cam_open,
        cam_close_deg=cam_close,
        open_deg=open_deg,
        close_deg=close_deg,
        open_s=np.where(np.isnan(open_deg), np.nan, open_s),
        close_s=np.where(np.isnan(close_deg), np.nan, close_s),
        deviation_deg=np.where(np.isnan(cam_open), np.nan, deviation),
        landing_m_s=landing,
        trains=trains,
    )


def contact_of(turning: Turning, cam: Cam) -> Contact:
    """Changes of state in time order."""
    times = np.stack((turning.open_s, turning.close_s), axis=-1).ravel()
    closing = np.tile([False, True], times.size // 2)
    trains = turning.trains
    if trains.closing.size:
        bounces = np.stack((trains.lost_s, trains.back_s), axis=-1).ravel()
        times = np.concatenate((times, bounces))
        closing = np.concatenate((closing, np.tile([False, True], bounces.size // 2)))
        order = np.argsort(times, kind="stable")
        times, closing = times[order], closing[order]
    earlier = closing[times == -np.inf]
    always_closed = cam.gap_mm < cam.lift_mm
    inside = np.isfinite(times)
    return Contact(
        time_s=times[inside],
        closed=closing[inside],
        closed_at_start=bool(earlier[-1]) if earlier.size else always_closed,
    )


def _flank(cam: Cam, shaft: Shaft, centres: Floats, lean_mm: Floats, side: float) -> Floats:
    """Angle of the contact's change on the leading (-1) or trailing (+1) flank of every lobe."""

    def flank(lift_mm: Floats) -> Floats:
        half = half_open_deg(cam, cam.gap_mm + lean_mm + lift_mm, cam.lift_errors_mm)
        return centres + side * half

    angles = flank(np.zeros_like(centres))
    # An eccentric cam lifts the block by what it shows at the very angle sought; a contraction.
    for _ in range(12 if shaft.eccentricity_mm else 0):
        at = np.where(np.isfinite(angles), angles, centres)
        towards = np.radians(at - shaft.eccentricity_deg)
        aside = shaft.eccentricity_mm * np.sin(towards) / cam.radius_mm
        angles = flank(shaft.eccentricity_mm * np.cos(towards)) + np.degrees(aside)
    return angles


def _drop_missed(opens: Floats, closes: Floats) -> None:
    """Turn edges that do not occur into NaN, in place: lobes too low, valleys too shallow.

    A valley that an eccentric cam would let close in part is taken not to close at all.
    """
    low = np.isnan(opens) | np.isnan(closes)
    opens[low] = closes[low] = np.nan
    later_opens, earlier_closes = opens.reshape(-1)[1:], closes.reshape(-1)[:-1]
    shallow = np.isinf(later_opens) | np.isinf(earlier_closes)
    later_opens[shallow] = earlier_closes[shallow] = np.nan
    for edges in (opens, closes):
        edges[np.isinf(edges)] = np.nan


def _drop_crossed(opens: Floats, closes: Floats) -> None:
    """Turn into NaN, in place, edges that scatter would put before the one they follow.

    The contact did not move there: too short an opening or a touch never comes about.
    """
    edges = np.stack((opens, closes), axis=-1).ravel()
    there = np.flatnonzero(~np.isnan(edges))
    while np.any(crossed := np.diff(edges[there]) <= 0.0):
        at = int(np.argmax(crossed))
        edges[there[at : at + 2]] = np.nan
        there = np.delete(there, (at, at + 1))
    opens[...], closes[...] = edges[::2].reshape(opens.shape), edges[1::2].reshape(opens.shape)
