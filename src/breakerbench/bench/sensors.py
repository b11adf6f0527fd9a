"""Index and encoder: edge times with ticks and with errors of their own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.drive import Drive
from breakerbench.bench.motion import Path
from breakerbench.bench.randomness import stream
from breakerbench.trace import EdgeTimes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Width of one tick of the board's time stamps, s.
TICK_S = 16e-9

#: Revolutions of the encoder made in one go.
_REVOLUTIONS_AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class Index:
    """One pulse a revolution; its rising edge is angle 0.

    width_deg        how long the pulse lasts, deg
    jitter_deg       standard deviation of either edge, deg
    delay_s          of its front end, as stated
    missing_share    share of pulses that do not come
    doubled_share    share of pulses that come again a little later, a tenth as long
    spurious_per_s   short pulses at any time, a second
    inverted         True where the line idles high and falls at angle 0
    """

    width_deg: float = 8.0
    jitter_deg: float = 0.0
    delay_s: float = 0.0
    missing_share: float = 0.0
    doubled_share: float = 0.0
    spurious_per_s: float = 0.0
    inverted: bool = False

    def __post_init__(self) -> None:
        if not 0.0 < self.width_deg < 300.0:
            raise ValueError("width_deg must lie between 0 and 300")


@dataclass(frozen=True, slots=True)
class Encoder:
    """A disc of evenly spaced pulses.

    pulses            a revolution, 60 to 1024
    both_edges        True where falling edges are stamped too
    placement_deg     standard deviation of the place of each edge on the disc, the same in every
                      revolution, deg
    eccentric_deg     amplitude of the once-a-revolution error of a disc off centre, deg
    eccentric_at_deg  shaft angle of its zero crossing
    u_position_deg    what is stated for the place of one edge, deg; None: rms of the two above
    first_deg         shaft angle of the first rising edge after the index
    jitter_deg        standard deviation of each edge each time, deg
    delay_s           of its front end, as stated
    bursts_per_s      stretches of lost edges a second
    burst_edges       edges lost in each
    disc_seed         seed of the places on the disc, where several runs share it; None: that of the run
    """

    pulses: int = 360
    both_edges: bool = False
    placement_deg: float = 0.005
    eccentric_deg: float = 0.0
    eccentric_at_deg: float = 0.0
    u_position_deg: float | None = None
    first_deg: float = 0.1
    jitter_deg: float = 0.0
    delay_s: float = 0.0
    bursts_per_s: float = 0.0
    burst_edges: int = 20
    disc_seed: int | None = None

    def __post_init__(self) -> None:
        if not 60 <= self.pulses <= 1024:
            raise ValueError(f"an encoder has 60 to 1024 pulses, not {self.pulses}")

    @property
    def stated_deg(self) -> float:
        """Standard uncertainty of the place of one edge as the header states it, deg."""
        if self.u_position_deg is not None:
            return self.u_position_deg
        return float(np.hypot(self.placement_deg, self.eccentric_deg / np.sqrt(2.0)))


def to_ticks(time_s: Floats) -> Floats:
    """Times as the board stamps them."""
    return np.round(time_s / TICK_S) * TICK_S


def index_edges(index: Index, turned: Drive | Path, seed: int) -> EdgeTimes:
    """All edges of the index over the run, stamped; they take turns at rising and falling."""
    chance = stream(seed, "index")
    first_deg, last_deg = turned.range_deg
    # the pulse before the run may still be up when it begins, the jitter of one after it reach in
    whole = 360.0 * np.arange(np.floor(first_deg / 360.0), np.ceil(last_deg / 360.0) + 1.0)
    jitter = index.jitter_deg * chance.standard_normal((whole.size, 2))
    jitter = np.clip(jitter, -index.width_deg / 3.0, index.width_deg / 3.0)
    missing = chance.random(whole.size) < index.missing_share
    doubled = chance.random(whole.size) < index.doubled_share
    again = whole + index.width_deg * (1.2 + 0.6 * chance.random(whole.size))
    rises = np.concatenate((whole + jitter[:, 0], again[doubled]))
    falls = np.concatenate(
        (whole + index.width_deg + jitter[:, 1], again[doubled] + 0.1 * index.width_deg)
    )
    there = np.concatenate((~missing, ~missing[doubled]))
    spurious = chance.uniform(
        0.0, turned.seconds, chance.poisson(index.spurious_per_s * turned.seconds)
    )
    lasting = chance.uniform(5e-6, 200e-6, spurious.size)
    rises, falls = _pulses(turned, *_merged(rises[there], falls[there]))
    rises, falls = _merged(
        np.concatenate((rises, spurious)), np.concatenate((falls, spurious + lasting))
    )
    times = to_ticks(np.stack((rises, falls), axis=-1).ravel() + index.delay_s)
    rising = np.tile([True, False], rises.size) ^ index.inverted
    inside = (times >= 0.0) & (times < turned.seconds)
    return EdgeTimes("index", times[inside], rising[inside])


def _pulses(turned: Drive | Path, begin_deg: Floats, end_deg: Floats) -> tuple[Floats, Floats]:
    """When a line is up that is up between angles, in order and apart; infinite outside the run."""
    if isinstance(turned, Drive) or not turned.goes_back:
        return turned.time_s(begin_deg), turned.time_s(end_deg)
    flanks = np.stack((begin_deg, end_deg), axis=-1).ravel()
    which, times, forward = turned.passings(flanks)
    up = (which % 2 == 0) == forward
    rises, falls = times[up], times[~up]
    if up.size and not up[0]:
        rises = np.concatenate(([-np.inf], rises))
    if rises.size > falls.size:
        falls = np.append(falls, np.inf)
    return rises, falls


def _merged(rises: Floats, falls: Floats) -> tuple[Floats, Floats]:
    """Pulses on one line: those that overlap become one."""
    order = np.argsort(rises, kind="stable")
    rises, falls = rises[order], np.maximum.accumulate(falls[order])
    new = np.ones(rises.size, bool)
    new[1:] = rises[1:] > falls[:-1]
    last = np.append(new[1:], True) if rises.size else new
    return rises[new], falls[last]


def encoder_edges(encoder: Encoder, turned: Drive | Path, seed: int) -> Iterator[EdgeTimes]:
    """Edges of the encoder, stamped, in time order, a few revolutions at a time."""
    if isinstance(turned, Path) and turned.goes_back:
        yield from _both_ways(encoder, turned, seed)
        return
    place, rising = disc(encoder, seed)
    chance = stream(seed, "encoder")
    first_deg, last_deg = turned.range_deg
    # too much jitter would swap edges that the line cannot swap
    limit = 0.4 * 360.0 / place.size
    latest = 0.0
    lost_from_before = 0
    mean_s = turned.seconds / max((last_deg - first_deg) / 360.0, 1e-9) * _REVOLUTIONS_AT_ONCE
    begin, end = int(np.floor(first_deg / 360.0)) - 1, int(np.ceil(last_deg / 360.0)) + 1
    for revolution in range(begin, end, _REVOLUTIONS_AT_ONCE):
        starts = 360.0 * (revolution + np.arange(_REVOLUTIONS_AT_ONCE))
        angles = (starts[:, None] + place).ravel()
        up = np.tile(rising, _REVOLUTIONS_AT_ONCE)
        if encoder.jitter_deg:
            jitter = encoder.jitter_deg * chance.standard_normal(angles.size)
            angles += np.clip(jitter, -limit, limit)
        lost = np.zeros(angles.size + encoder.burst_edges, bool)
        lost[:lost_from_before] = True
        for burst in chance.integers(0, angles.size, chance.poisson(encoder.bursts_per_s * mean_s)):
            lost[burst : burst + encoder.burst_edges] = True
        lost_from_before = int(np.count_nonzero(lost[angles.size :]))
        times = to_ticks(turned.time_s(angles) + encoder.delay_s)
        keep = ~lost[: angles.size] & (times >= 0.0) & (times < turned.seconds)
        times = np.maximum.accumulate(np.maximum(times[keep], latest))
        if times.size:
            latest = float(times[-1])
            yield EdgeTimes("encoder", times, up[keep])


def _both_ways(encoder: Encoder, turned: Path, seed: int) -> Iterator[EdgeTimes]:
    """Edges of a shaft that goes back: its line goes up where it went down, and down where up.

    Few, as such a shaft is turned by hand: all in one go.
    """
    place, rising = disc(encoder, seed, both_edges=True)
    chance = stream(seed, "encoder")
    first_deg, last_deg = turned.range_deg
    whole = 360.0 * np.arange(np.floor(first_deg / 360.0) - 1.0, np.ceil(last_deg / 360.0) + 1.0)
    angles = (whole[:, None] + place).ravel()
    limit = 0.4 * 360.0 / place.size
    jitter = encoder.jitter_deg * chance.standard_normal(angles.size)
    which, times, forward = turned.passings(angles + np.clip(jitter, -limit, limit))
    up = rising[which % place.size] == forward
    stamped = up | encoder.both_edges
    times, up = times[stamped], up[stamped]
    keep = np.ones(times.size, bool)
    for burst in chance.uniform(
        0.0, times.size, chance.poisson(encoder.bursts_per_s * turned.seconds)
    ):
        keep[int(burst) : int(burst) + encoder.burst_edges] = False
    times = to_ticks(times + encoder.delay_s)
    keep &= times < turned.seconds
    yield EdgeTimes("encoder", times[keep], up[keep])


def disc(encoder: Encoder, seed: int, both_edges: bool | None = None) -> tuple[Floats, Bools]:
    """Shaft angles of the edges of one revolution in rising order, errors in, and which rise.

    both_edges  as the encoder has it; else whether the falling edges are among them
    """
    seed = seed if encoder.disc_seed is None else encoder.disc_seed
    both = encoder.both_edges if both_edges is None else both_edges
    count = encoder.pulses * (2 if both else 1)
    even = encoder.first_deg + 360.0 / count * np.arange(count)
    off_centre = np.sin(np.radians(even - encoder.eccentric_at_deg))
    error = np.empty(count)
    if both and not encoder.both_edges:
        # rising edges where they are without the falling ones
        error[::2] = stream(seed, "disc").standard_normal(encoder.pulses)
        error[1::2] = stream(seed, "disc, falling").standard_normal(encoder.pulses)
    else:
        error = stream(seed, "disc").standard_normal(count)
    place = even + encoder.placement_deg * error + encoder.eccentric_deg * off_centre
    rising = np.ones(count, bool)
    if both:
        rising[1::2] = False
    if np.any(np.diff(place, append=place[0] + 360.0) <= 0.0):
        raise ValueError("placement_deg is too large for so many pulses: edges would swap")
    return place, rising
