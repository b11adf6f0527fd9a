"""Duration and burn line of the sparks of a trace, with their uncertainty; misses by lobe and tower."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.bounce import median_rank
from breakerbench.measure.spark import Ended, Found
from breakerbench.measure.spark_end import End
from breakerbench.measure.uncertainty import Budget, Component, Estimate, rectangular, type_a_mean
from breakerbench.trace import Channel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: An end is not used of a burn shorter than so many of its own swings, nor of a line lower than this
#: (V, and times the noise), nor one known no better than this, s.
SWINGS, LEAST_LINE_V, LINE_NOISE, MOST_U_S = 1.5, 2.0, 3.0, 15e-6
#: A burn line has this share of its mean left as it ends (0.54 to 1.05 on simulated circuits); what dies
#: away by itself, as with shorted turns, has less.
STANDS = 0.35
#: Of the sparks looked at so many must have an end, and this many in all.
LEAST_SHARE, LEAST_ENDS = 0.6, 6
#: Systematic, as shares of one swing of the burn's ring, found on simulated circuits (ngspice and
#: ours) over the ranges of an ignition: the shape, and the next swing where the fit leaves more than
#: so many times the noise. (290 traces: with these 962 of 1,000 true values inside U.)
SHAPE, NEXT_SWING, NOISY = 0.03, 0.05, 1.3
#: Of the sample clock, as a share (crystal; from memory).
CLOCK = 50e-6
#: Openings at one speed that make a figure of it.
LEAST_AT_SPEED = 6
#: Misses that prove the modes.
PROVEN = 3


@dataclass(frozen=True, slots=True)
class AtSpeed:
    """One speed: mean interval between openings, s; median duration, its U, s; openings used."""

    interval_s: float
    duration_s: float
    u_duration_s: float
    openings: int


@dataclass(frozen=True, slots=True)
class Duration:
    """Median over the openings used, its expanded uncertainty, and what all but a tenth lie between.

    why  the reason where there is none (the rest is then nan)
    """

    value_s: float = math.nan
    u_s: float = math.nan
    range_s: tuple[float, float] | None = None
    by_speed: tuple[AtSpeed, ...] = ()
    openings: int = 0
    why: str = ""


NO_SPARK = "no opening shows a spark"
NOT_TOLD = (
    "it cannot be told from most openings whether there was a spark: the burn, if there is one, is "
    "too short or too weak against the ring of the coil, or lasts until the points close; measure at "
    "a lower speed too"
)
CUT = (
    "the points close before the spark ends in most openings at these speeds: measure at lower ones"
)
BRIEF = (
    "the sparks burn too briefly, or go out and strike again, for their end to be found: {ends} of "
    "{sparks} could be followed to it"
)


def usable(end: End, burn_hz: float, noise: float, rate_hz: float) -> bool:
    """Whether the end of one spark is what the shape says it is."""
    return (
        end.fits
        and end.stands_out
        and end.samples / rate_hz - RISE_S > SWINGS / burn_hz
        and not end.line_v < max(LEAST_LINE_V, LINE_NOISE * noise)
        and not end.end_v < max(LEAST_LINE_V, LINE_NOISE * noise, STANDS * end.line_v)
        and end.u / rate_hz < MOST_U_S
    )


def good_ends(found: Found) -> list[tuple[Ended, End]]:
    """The sparks whose end can be used, in order."""
    learned = found.learned
    if learned is None or learned.shape is None:
        return []
    hz = learned.burn_hz
    return [
        (each, each.end)
        for each in found.ends
        if each.end is not None and usable(each.end, hz, learned.noise, found.rate_hz)
    ]


def unsure(found: Found) -> Ints:
    """Numbers of the openings looked into that show neither a free ring nor the end of a burn.

    A leak beside the gap, or turns that are shorted, take the ring away without a spark.
    """
    good = {each.number for each, _ in good_ends(found)}
    numbers = [e.number for e in found.ends if e.number not in good and not e.burns_on]
    return np.array(numbers, np.int64)


def lobes_untold(found: Found, lobes: int, lobe_of: Ints) -> list[int]:
    """Lobes, from 0, of which most openings looked into are unsure."""
    tried = np.array([e.number for e in found.ends], np.int64)
    of_tried, of_unsure = (
        np.bincount(lobe_of[some][lobe_of[some] >= 0], minlength=lobes)[:lobes]
        for some in (tried[tried < len(lobe_of)], unsure(found)[unsure(found) < len(lobe_of)])
    )
    return [int(k) for k in np.flatnonzero((of_tried >= PROVEN) & (2 * of_unsure > of_tried))]


#: The first part of the open time, in which the spark has not struck, s.
RISE_S = 60e-6


def duration(found: Found, channel: Channel) -> Duration:
    """Of the sparks, from the opening to the end of the gap's current."""
    why = _why_none(found)
    if why:
        return Duration(why=why)
    ends = good_ends(found)
    assert found.learned is not None
    assert found.learned.shape is not None
    time_s = np.array([e.samples for _, e in ends]) / found.rate_hz
    interval = np.array([each.interval_s for each, _ in ends])
    weight = np.array([each.weight for each, _ in ends])
    swing_s = 1.0 / found.learned.burn_hz
    u_s = _systematic(found, [e for _, e in ends], swing_s, channel.u_delay_s)
    lost = found.tried + _untold(found) - len(ends)
    value, wide = _median(time_s, weight, lost, len(found.sparks))
    u_clock = CLOCK * value
    low, high = np.quantile(time_s, [0.05, 0.95])
    return Duration(
        value_s=value,
        u_s=math.hypot(wide, 2.0 * u_s, 2.0 * u_clock),
        range_s=(float(low), float(high)),
        by_speed=_by_speed(interval, time_s, u_s),
        openings=len(ends),
    )


def why_no_misses(found: Found) -> str:
    """Why sparks and misses are not told; empty where they are.

    What is no free ring is a spark only if the modes are right: they are where they explain several
    openings wholly, as misses, or where most ends fit.
    """
    if found.why:
        return found.why
    if found.untold > len(found.sparks) + len(found.misses):
        return NOT_TOLD
    proven = len(found.misses) >= PROVEN or (len(good_ends(found)) > LEAST_SHARE * found.tried)
    if proven:
        return ""
    return CUT if 2 * found.burning > found.tried else NOT_TOLD


def _why_none(found: Found) -> str:
    """Why there is no duration; empty where there is one."""
    why = why_no_misses(found)
    if why:
        return why
    if not len(found.sparks):
        return NO_SPARK
    ends = len(good_ends(found))
    if 2 * found.burning > found.tried:
        return CUT
    if ends < LEAST_ENDS or ends < LEAST_SHARE * (found.tried + _untold(found)):
        return BRIEF.format(ends=ends, sparks=found.tried)
    return ""


def _untold(found: Found) -> int:
    """How many of the openings tried for an end could not be told from misses.

    Sparks that are too short to be told belong to them: without these the rest is no fair sample.
    """
    told = max(len(found.sparks) + len(found.misses), 1)
    return math.ceil(found.untold * found.tried / told)


def _systematic(found: Found, ends: list[End], swing_s: float, u_delay_s: float) -> float:
    """Standard uncertainty that all ends share, s: fit, shape, wrong swing, opening, front end."""
    fit = float(np.median([e.u for e in ends])) / found.rate_hz
    excess = float(np.median([e.excess for e in ends]))
    over = float(np.median([e.over for e in ends]))
    next_swing = NEXT_SWING if over > NOISY else 0.0
    opening = 0.1 / found.rate_hz
    parts = (
        fit, SHAPE * swing_s, math.sqrt(excess) * swing_s, next_swing * swing_s, opening, u_delay_s,
    )  # fmt: skip
    return math.hypot(*parts)


def _median(values: Floats, weight: Floats, lost: int, of: float) -> tuple[float, float]:
    """Weighted median, and how far its 95.45 % interval reaches.

    lost  values that could not be found and may lie anywhere; of: how many there are in all
    What is measured is the median of the sparks of this recording: the more of them were looked at,
    the less chance there is in it (finite population).
    """
    order = np.argsort(values, kind="stable")
    x = values[order]
    share = (np.cumsum(weight[order]) - 0.5 * weight[order]) / weight.sum()
    n = len(x)
    # So many of equal weight tell as much (Kish 1965, from memory).
    alike = int(weight.sum() ** 2 / (weight**2).sum() + 1e-6)
    rank = median_rank(alike)
    chance = 0.5 if rank is None else 0.5 - (rank - 0.5) / alike
    chance *= math.sqrt(max(1.0 - (alike + lost) / of, 0.0))
    # All the lost ones on one side of the median would move it by half their number.
    chance += 0.5 * lost / n
    middle = float(np.interp(0.5, share, x))
    # Outwards to the next value: sparks that go out at one swing or another stand in clusters, and
    # between these there is nothing to interpolate.
    low = float(x[max(int(np.searchsorted(share, 0.5 - chance, "right")) - 1, 0)])
    high = float(x[min(int(np.searchsorted(share, 0.5 + chance, "left")), n - 1)])
    return middle, max(high - middle, middle - low)


def _by_speed(interval_s: Floats, time_s: Floats, u_s: float) -> tuple[AtSpeed, ...]:
    """Speeds in eighths of an octave, slowest first."""
    key = np.floor(8.0 * np.log2(interval_s)).astype(np.int64)
    out = []
    for each in np.unique(key)[::-1]:
        rows = key == each
        if int(rows.sum()) < LEAST_AT_SPEED:
            continue
        value, wide = _median(time_s[rows], np.ones(int(rows.sum())), 0, np.inf)
        mean = float(interval_s[rows].mean())
        out.append(AtSpeed(mean, value, math.hypot(wide, 2.0 * u_s), int(rows.sum())))
    return tuple(out)


# --- burn line --------------------------------------------------------------------------------


def burn_line(found: Found, channel: Channel, u_gain: float) -> Estimate | None:
    """Level of the burn line on the primary above the feed, V; None where most are clipped.

    Mean of the openings, u their spread, the scale, and what the line's slope and ring leave open.
    """
    ends = [end for _, end in good_ends(found)]
    line = np.array([end.line_v for end in ends])
    known = np.isfinite(line)
    if int(known.sum()) < LEAST_ENDS or 2 * int(known.sum()) < len(line):
        return None
    assert found.learned is not None
    assert found.learned.shape is not None
    mean = type_a_mean(line[known])
    # The fewer swings its middle half has, the more a mean holds of them.
    burned_s = float(np.median([end.samples for end in ends])) / found.rate_hz
    swings = max(0.5 * burned_s * found.learned.burn_hz, 1.0)
    parts = (
        mean.component("spread of the openings"),
        Component("scale", u_gain * abs(mean.value)),
        Component("level at rest", abs(channel.scale)),
        Component("ring about it", rectangular(abs(mean.value) / swings)),
    )
    budget = Budget(mean.value, "V", parts)
    return Estimate(budget.value, budget.u_c, budget.dof)


# --- misses -----------------------------------------------------------------------------------


def by_lobe(misses: Ints, lobes: int, lobe_of: Ints) -> list[int | None]:
    """Misses of each lobe, lobe 1 first; lobe_of: lobe of each opening by its number, -1 not known."""
    inside = misses[misses < len(lobe_of)]
    of = lobe_of[inside]
    return [int(n) for n in np.bincount(of[of >= 0], minlength=lobes)[:lobes]]


def by_tower(
    per_lobe: list[int | None], tower_one_lobe: int, firing_order: tuple[int, ...]
) -> list[dict[str, int | None]]:
    """Misses of each tower in the order of rotation; ``tower_one_lobe`` counted from 0."""
    n = len(per_lobe)
    at = firing_order.index(1)
    return [
        {"tower": firing_order[(at + k) % n], "misses": per_lobe[(tower_one_lobe + k) % n]}
        for k in range(n)
    ]
