"""The truth of a simulated run, in the keys of the result, for tests and for the file beside it.

At the top stand the parameters of the distributor: what infinitely many revolutions would show,
from its geometry alone. Under ``realized`` stand the same figures over the edges that happened from
the first to the last angle 0 of this run, at the true instants of the contact. None stands for what
does not exist, as the dwell before a lobe that never opens.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.arm_truth import bounce_truth, held_closed
from breakerbench.bench.cam import Cam
from breakerbench.bench.contact import Contact, Turning
from breakerbench.bench.model import Bench
from breakerbench.bench.motion import Motion
from breakerbench.bench.second import sets_truth
from breakerbench.bench.truth_shaft import (
    advance_that_happened,
    advance_truth,
    vacuum_that_happened,
    vacuum_truth,
)

Floats = NDArray[np.float64]

#: Width of a speed bin, and the revolutions that let it count for the variation of dwell.
BIN_RPM = 50.0
BIN_REVOLUTIONS = 10


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """What the figures of a run are made of; rows are revolutions, columns lobes as the cam has them.

    base_deg    shaft angle at which each row begins, as a column
    whole       rows that the run covers from angle 0 to angle 0
    speeds_rpm  mean speed of each of those
    marks_s     instants of angle 0 in the run
    first_s     the first of them; last_s the last
    order       columns in the order of the lobes
    openings    shaft angle of each opening at the lowest speed, scatter left out, by column, deg
    nominal     intended openings in the order of the lobes, from 0, deg
    """

    base_deg: Floats
    whole: NDArray[np.bool_]
    speeds_rpm: Floats
    marks_s: Floats
    first_s: float
    last_s: float
    order: NDArray[np.intp]
    openings: Floats
    nominal: Floats


def truth_of(
    bench: Bench, cam: Cam, motion: Motion, turning: Turning, contact: Contact, seed: int
) -> dict[str, Any]:
    """Truth of a run as a mapping that JSON can hold.

    cam      as the drive turns it past the points
    contact  chatter left out
    """
    run = layout(cam, motion, turning)
    opens, closes = turning.cam_open_deg, turning.cam_close_deg
    counted = run.whole if np.any(run.whole) else np.ones(run.whole.size, bool)
    dwell = _dwell(opens, closes)
    truth = _figures(cam, run, dwell[counted], (opens - run.base_deg)[counted])
    truth["dwell"] |= _by_speed(dwell[run.whole], run.speeds_rpm)
    truth["scatter"] = {"deg": _number(np.sqrt(_mean(turning.deviation_deg[counted] ** 2)))}
    truth["speed"] = {
        "min_rpm": _number(np.min(run.speeds_rpm, initial=np.inf)),
        "max_rpm": _number(np.max(run.speeds_rpm, initial=-np.inf)),
        "revolutions": int(run.speeds_rpm.size),
    }
    # What of a bounce shows beside another set is told by what happened alone.
    arm = bench.arm if bench.points_set != "both" else None
    bounce, bounced = bounce_truth(turning, arm, run.first_s, run.last_s, seed)
    truth["bounce"] = bounce
    # By what happened: of dirt and floating arms more runs would show other counts.
    truth["missed"] = _missed(turning.open_deg, turning.close_deg, run.whole)
    truth["advance"] = advance_truth(motion, cam, bench.shaft)
    truth["vacuum"] = vacuum_truth(
        motion, cam, bench.vacuum, bench.vacuum_steps, bench.drive.seconds
    )
    truth["supply"] = {
        "volts": bench.feed.volts,
        "polarity": "positive ground" if bench.feed.positive_ground else "negative ground",
    }
    truth["contact"] = {
        "drop_v": bench.feed.closed_v,
        "resistance_ohm": bench.feed.contact_ohm,
        "current_a": bench.feed.closed_a,
    }
    truth["state"] = _state(contact)
    truth["hand"] = None
    if bench.drive.by_hand:
        truth["hand"] = {
            "openings": int(np.count_nonzero(~contact.closed)),
            "state": truth["state"],
            "per_lobe_deg": _numbers(np.mod(run.openings[run.order], 360.0)),
            "dwell_per_lobe_deg": truth["dwell"]["per_lobe_deg"],
        }
    truth["nominal_deg"] = _numbers(run.nominal)
    truth["first_opening_deg"] = _number(np.mod(run.openings[run.order[0]], 360.0))
    truth["realized"] = _realized(bench, cam, motion, turning, run)
    truth["realized"] |= {"bounce": bounced, "missed": truth["missed"]}
    if bench.second is not None:
        truth["sets"] = sets_truth(bench.cam, bench.second) | {"connected": bench.points_set}
    truth["simulated"] = True
    truth["seed"] = seed
    truth["put in"] = list(bench.notes)
    truth["bench"] = asdict(bench)
    return truth


def layout(cam: Cam, motion: Motion, turning: Turning) -> Layout:
    """Rows, marks and lobes of a run; ``cam`` as the drive turns it past the points."""
    rows = len(turning.open_deg)
    numbers = turning.first_revolution + np.arange(rows + 1.0)
    marks_s = motion.rotor.time_s(360.0 * numbers)
    there = np.isfinite(marks_s)
    whole = there[:-1] & there[1:]
    speeds = 60.0 / np.diff(marks_s[there])
    if speeds.size:
        row = int(np.flatnonzero(whole)[np.argmin(speeds)])
        middle_s = 0.5 * (marks_s[row] + marks_s[row + 1])
        first_s, last_s = float(marks_s[there][0]), float(marks_s[there][-1])
    else:
        row, middle_s, first_s, last_s = rows // 2, 0.0, 0.0, motion.rotor.seconds
    advance = motion.seen_deg(np.array(middle_s))
    openings = turning.cam_open_deg[row] - 360.0 * numbers[row] - advance
    # a lobe that never opens keeps its place in the order
    place = np.where(np.isnan(openings), cam.centres_deg - advance, openings)
    order = np.argsort(np.mod(place, 360.0), kind="stable")
    nominal = cam.openings_deg[order]
    return Layout(
        base_deg=360.0 * numbers[:-1, None],
        whole=whole,
        speeds_rpm=speeds,
        marks_s=marks_s[there],
        first_s=first_s,
        last_s=last_s,
        order=order,
        openings=openings,
        nominal=np.mod(nominal - nominal[0], 360.0),
    )


def _realized(
    bench: Bench, cam: Cam, motion: Motion, turning: Turning, run: Layout
) -> dict[str, Any]:
    """The figures over what happened, advance taken off the openings before they are compared."""

    def within(angles: Floats, times: Floats) -> Floats:
        return np.where((times >= run.first_s) & (times <= run.last_s), angles, np.nan)

    opens, opens_s = within(turning.open_deg, turning.open_s), turning.open_s
    # A dwell belongs to the revolution that its opening is in, wherever it was touched.
    closes = np.where(turning.close_s >= 0.0, turning.close_deg, np.nan)
    dwell = _dwell(opens, closes)
    if bench.arm or bench.dirt:
        dwell[held_closed(turning)] = np.nan
    advance = motion.seen_deg(turning.open_s)
    figures = _figures(cam, run, dwell, opens + advance - run.base_deg)
    figures["dwell"] |= _by_speed(dwell[run.whole], run.speeds_rpm)
    scatter = opens + advance - turning.cam_open_deg
    scatter -= _lobe_means(scatter)
    counts = np.count_nonzero(~np.isnan(scatter), axis=0)
    freedom = int(np.sum(np.maximum(counts - 1, 0)))
    some = scatter[:, counts > 1]
    figures["scatter"] = {
        "deg": _number(np.sqrt(np.nansum(some**2) / freedom)) if freedom else None,
        "range_deg": _number(np.nanmax(some) - np.nanmin(some)) if freedom else None,
    }
    figures["openings"] = int(np.count_nonzero(~np.isnan(opens)))
    figures["advance"] = advance_that_happened(motion, cam, bench.shaft, opens_s, run.marks_s)
    figures["vacuum"] = vacuum_that_happened(
        motion, cam, bench.vacuum, bench.vacuum_steps, bench.drive.seconds, opens_s
    )
    return figures


def _dwell(opens: Floats, closes: Floats) -> Floats:
    """Dwell that each opening ends, deg; NaN where either end of it is not there."""
    ends, begins = opens.ravel(), closes.ravel()
    latest = np.maximum.accumulate(np.where(np.isnan(begins), -1, np.arange(begins.size)))
    before = np.concatenate(([-1], latest[:-1]))
    dwell = ends - np.where(before >= 0, begins[before], np.nan)
    return dwell.reshape(opens.shape)


def _figures(cam: Cam, run: Layout, dwell: Floats, openings: Floats) -> dict[str, Any]:
    """Dwell and spacing from the dwell and opening angle, within its revolution, of every lobe."""
    per_lobe = _lobe_means(dwell)[run.order]
    late = _lobe_means(openings)[run.order] - run.nominal
    # about any one lobe, so that those past angle 0 come out right
    about = late[np.flatnonzero(~np.isnan(late))[:1]]
    late = np.mod(late - (about[0] if about.size else 0.0) + 180.0, 360.0) - 180.0
    error = late - _mean(late)
    mean = _mean(per_lobe)
    return {
        "dwell": {
            "mean_deg": _number(mean),
            "percent": _number(100.0 * mean / cam.pitch_deg),
            "per_lobe_deg": _numbers(per_lobe),
        },
        "spacing": {
            "error_deg": _numbers(error),
            "interval_error_deg": _numbers(np.roll(error, -1) - error),
        },
    }


def _by_speed(dwell: Floats, speeds_rpm: Floats) -> dict[str, Any]:
    """Mean dwell in bins of speed, and the range of the bins that have revolutions enough.

    Bins lie about the multiples of 50 rpm. No range where they stand at one speed.
    """
    rows = []
    settled = []
    speeds = []
    bins = np.floor(speeds_rpm / BIN_RPM + 0.5)
    for which in np.unique(bins):
        inside = bins == which
        deg = _mean(_lobe_means(dwell[inside]))
        rpm = float(np.mean(speeds_rpm[inside]))
        count = int(np.count_nonzero(inside))
        rows.append({"rpm": rpm, "deg": _number(deg), "revolutions": count})
        if count >= BIN_REVOLUTIONS and not np.isnan(deg):
            settled.append(deg)
            speeds.append(rpm)
    several = bool(speeds) and max(speeds) - min(speeds) >= BIN_RPM
    return {"variation_deg": max(settled) - min(settled) if several else None, "by_speed": rows}


def _missed(opens: Floats, closes: Floats, whole: NDArray[np.bool_]) -> dict[str, int]:
    """Lobes that the contact stayed closed through, and dwells that it stayed open through.

    What is missing begins with an opening (it stayed closed) or with a closing (it stayed open).
    """
    missing = np.isnan(np.stack((opens, closes), axis=-1)).ravel()
    place = np.arange(missing.size)
    begins = np.maximum.accumulate(np.where(missing, -1, place)) + 1
    counted = missing & np.repeat(whole, 2 * opens.shape[1]) & (begins % 2 == place % 2)
    return {
        "openings": int(np.count_nonzero(counted[::2])),
        "closings": int(np.count_nonzero(counted[1::2])),
    }


def _state(contact: Contact) -> str:
    if contact.time_s.size:
        return "opening and closing"
    return "always closed" if contact.closed_at_start else "always open"


def _lobe_means(values: Floats) -> Floats:
    """Mean of each column over what is there, NaN where nothing is."""
    counts = np.count_nonzero(~np.isnan(values), axis=0)
    means: Floats = np.where(counts > 0, np.nansum(values, axis=0) / np.maximum(counts, 1), np.nan)
    return means


def _mean(values: Floats) -> float:
    there = values[~np.isnan(values)]
    return float(np.mean(there)) if there.size else float("nan")


def _number(value: float | np.floating[Any]) -> float | None:
    return float(value) if np.isfinite(value) else None


def _numbers(values: Floats) -> list[float | None]:
    return [_number(value) for value in values]
