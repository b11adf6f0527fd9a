"""A second set of points on the same plate: another arm at the same cam, its own gap, its own scatter.

Both are wired in parallel: the contact is closed where either is. Overlapping, the second works at
the same lobe as the first; alternating, half a pitch off, between two lobes. The scatter of one is
taken as independent of that of the other, though some of it (play of the bushings) is common.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.cam import Cam
from breakerbench.bench.contact import Turning
from breakerbench.bench.settling import Trains

Floats = NDArray[np.float64]

#: Makes the chance of the second set another one than that of the first, of the same seed.
OTHER_CHANCE = 1_000_003

PARTS = ("first", "second", "both")


@dataclass(frozen=True, slots=True)
class Second:
    """The second set.

    gap_mm      its contact gap, as that of the cam
    offset_deg  how much later than at the first a lobe stands under its rubbing block, deg
    """

    gap_mm: float
    offset_deg: float


def second_for(cam: Cam, after_deg: float, dwell_deg: float) -> Second:
    """A set that opens ``after_deg`` after the first, with a dwell of its own (faultless cam)."""
    gap = cam.gap_for_dwell_mm(dwell_deg)
    half, own = cam.half_open_deg(cam.gap_mm), cam.half_open_deg(gap)
    return Second(gap, after_deg - half + own)


def second_cam(cam: Cam, second: Second) -> Cam:
    """The cam as the second arm has it; lobe for lobe that of the first, no more than half a pitch "
    "off."""
    offset = (second.offset_deg + 0.5 * cam.pitch_deg) % cam.pitch_deg - 0.5 * cam.pitch_deg
    if alternates(cam, second):
        offset %= cam.pitch_deg
    return replace(cam, gap_mm=second.gap_mm, first_centre_deg=cam.first_centre_deg + offset)


def alternates(cam: Cam, second: Second) -> bool:
    """A quarter of a pitch or more off the lobes of the first."""
    share = second.offset_deg / cam.pitch_deg % 1.0
    return 0.25 <= share < 0.75


def both_cam(cam: Cam, second: Second) -> Cam:
    """A cam with a lobe for each opening of both sets together: for nominal angles and pitch only."""
    if not alternates(cam, second):
        return cam
    nominal = cam.openings_deg
    if cam.nominal_deg:
        raise ValueError(
            "alternating sets on a cam with unevenly spaced lobes have no nominal angles"
        )
    return Cam(
        lobes=2 * len(nominal),
        lift_mm=cam.lift_mm,
        half_width_deg=0.5 * cam.half_width_deg,
        gap_mm=cam.gap_mm,
        first_centre_deg=cam.first_centre_deg,
    )


def both(first: Turning, second: Turning, alternating: bool) -> Turning:
    """Openings and closings of both together: open where both are open.

    One column a lobe; alternating two: with the lobe of the second before it, and with that after it.
    Of the bounces those show that come while the other set is open; sets that bounce at once are
    taken as closed. Raises ValueError where a set misses a closing.
    """
    for one in (first, second):
        if np.any(np.isnan(one.open_s) != np.isnan(one.close_s)):
            raise ValueError("two sets of points of which one misses a closing are not simulated")
    here, there = _edges(first), _edges(second)
    number = np.arange(first.open_s.size)
    if not alternating:
        columns = _shared(here, there)
        places = number, number
    else:
        earlier = {
            key: np.concatenate(([np.nan], values.ravel()[:-1])).reshape(values.shape)
            for key, values in there.items()
        }
        pairs = _shared(here, earlier), _shared(here, there)
        columns = {
            key: np.stack([pair[key] for pair in pairs], axis=-1).reshape(len(values), -1)
            for key, values in pairs[0].items()
        }
        # each set ends the openings that it shares with the one before it
        places = 2 * number + 1, 2 * number + 2
    close_s = columns["close_s"].ravel()
    others = there["close_s"].ravel(), here["close_s"].ravel()
    if alternating:
        others = others[0], np.append(others[1][1:], np.nan)
    parts = [
        _visible(one.trains, one.close_s.ravel(), other, place, close_s.size)
        for one, other, place in zip((first, second), others, places, strict=True)
    ]
    values = [np.concatenate(each) for each in zip(*parts, strict=True)]
    order = np.argsort(values[1], kind="stable")
    closing, lost_s, back_s = (value[order] for value in values)
    trains = Trains(closing.astype(np.int64), lost_s, back_s)
    return Turning(first_revolution=first.first_revolution, trains=trains, **columns)


def _visible(
    trains: Trains, own_s: Floats, other_s: Floats, place: NDArray[np.int64], size: int
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Bounces of one set until the other closes: number of the closing together, lost, back.

    own_s, other_s  by closing of the set: when it closes, and when the other does by that lobe
    place           by closing of the set: number of the closing together; ``size`` of them
    """
    until = other_s[trains.closing]
    shows = (own_s[trains.closing] < until) & (trains.lost_s < until)
    shows &= place[trains.closing] < size
    kept = trains.take(shows)
    return place[kept.closing], kept.lost_s, np.minimum(kept.back_s, until[shows])


OPENS, CLOSES = ("cam_open_deg", "open_deg", "open_s"), ("cam_close_deg", "close_deg", "close_s")


def _edges(turning: Turning) -> dict[str, Floats]:
    names = (*OPENS, *CLOSES, "deviation_deg", "landing_m_s")
    return {name: getattr(turning, name) for name in names}


def _shared(a: dict[str, Floats], b: dict[str, Floats]) -> dict[str, Any]:
    """The later opening and the earlier closing; NaN where a set does not open, or they never share."""
    shared = {name: np.maximum(a[name], b[name]) for name in OPENS}
    shared |= {name: np.minimum(a[name], b[name]) for name in CLOSES}
    for way, edge in (("cam_open_deg", "cam_close_deg"), ("open_deg", "close_deg")):
        never = ~(shared[way] < shared[edge])
        shared[way][never] = shared[edge][never] = np.nan
    gone = np.isnan(shared["open_deg"])
    shared["open_s"][gone] = shared["close_s"][gone] = np.nan
    later = a["cam_open_deg"] >= b["cam_open_deg"]
    shared["deviation_deg"] = np.where(later, a["deviation_deg"], b["deviation_deg"])
    shared["deviation_deg"][np.isnan(shared["cam_open_deg"])] = np.nan
    sooner = a["close_s"] <= b["close_s"]
    shared["landing_m_s"] = np.where(sooner, a["landing_m_s"], b["landing_m_s"])
    return shared


def sets_truth(cam: Cam, second: Second) -> dict[str, Any]:
    """What is true of the two sets by their geometry, errors of the lobes left out (alike for both)."""
    other = second_cam(cam, second)
    alternating = alternates(cam, second)
    after = (other.first_centre_deg - other.half_open_deg(other.gap_mm)) - (
        cam.first_centre_deg - cam.half_open_deg(cam.gap_mm)
    )
    return {
        "arrangement": "alternating" if alternating else "overlapping",
        "first_dwell_deg": cam.dwell_deg(),
        "second_dwell_deg": other.dwell_deg(),
        "mean_after_deg": after,
    }
