"""Index and encoder: edge times with ticks and with errors of their own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.drive import Drive
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


def index_edges(index: Index, drive: Drive, seed: int) -> EdgeTimes:
    """All edges of the index over the run, stamped; they take turns at rising and falling."""
    chance = stream(seed, "index")
    first_deg, last_deg = drive.angle_deg(np.array([0.0, drive.seconds]))
    # the pulse before the run may still be up when it begins, the jitter of one after it reach in
    whole = 360.0 * np.arange(np.floor(first_deg / 360.0), np.ceil(last_deg / 360.0) + 1.0)
    jitter = index.jitter_deg * chance.standard_normal((whole.size, 2))
    jitter = np.clip(jitter, -index.width_deg / 3.0, index.width_deg / 3.0)
    missing = chance.random(whole.size) < index.missing_share
    doubled = chance.random(whole.size) < index.doubled_share
    again = whole + index.width_deg * (1.2 + 0.6 * chance.random(whole.size))
    rises = drive.time_s(np.concatenate((whole + jitter[:, 0], again[doubled])))
    falls = drive.time_s(
        np.concatenate(
            (whole + index.width_deg + jitter[:, 1], again[doubled] + 0.1 * index.width_deg)
        )
    )
    there = np.concatenate((~missing, ~missing[doubled]))
    spurious = chance.uniform(
        0.0, drive.seconds, chance.poisson(index.spurious_per_s * drive.seconds)
    )
    lasting = chance.uniform(5e-6, 200e-6, spurious.size)
    rises = np.concatenate((rises[there], spurious))
    falls = np.concatenate((falls[there], spurious + lasting))
    rises, falls = _merged(rises, falls)
    times = to_ticks(np.stack((rises, falls), axis=-1).ravel() + index.delay_s)
    rising = np.tile([True, False], rises.size) ^ index.inverted
    inside = (times >= 0.0) & (times < drive.seconds)
    return EdgeTimes("index", times[inside], rising[inside])


def _merged(rises: Floats, falls: Floats) -> tuple[Floats, Floats]:
    """Pulses on one line: those that overlap become one."""
    order = np.argsort(rises, kind="stable")
    rises, falls = rises[order], np.maximum.accumulate(falls[order])
    new = np.ones(rises.size, bool)
    new[1:] = rises[1:] > falls[:-1]
    last = np.append(new[1:], True) if rises.size else new
    return rises[new], falls[last]


def encoder_edges(encoder: Encoder, drive: Drive, seed: int) -> Iterator[EdgeTimes]:
    """Edges of the encoder, stamped, in time order, a few revolutions at a time."""
    place, rising = disc(encoder, seed)
    chance = stream(seed, "encoder")
    first_deg, last_deg = drive.angle_deg(np.array([0.0, drive.seconds]))
    spacing = 360.0 / place.size
    # too much jitter would swap edges that the line cannot swap
    limit = 0.4 * spacing
    latest = 0.0
    lost_from_before = 0
    mean_s = drive.seconds / max((last_deg - first_deg) / 360.0, 1e-9) * _REVOLUTIONS_AT_ONCE
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
        times = to_ticks(drive.time_s(angles) + encoder.delay_s)
        keep = ~lost[: angles.size] & (times >= 0.0) & (times < drive.seconds)
        times = np.maximum.accumulate(np.maximum(times[keep], latest))
        if times.size:
            latest = float(times[-1])
            yield EdgeTimes("encoder", times, up[keep])


def disc(encoder: Encoder, seed: int) -> tuple[Floats, Bools]:
    """Shaft angles of the edges of one revolution in rising order, errors in, and which rise."""
    count = encoder.pulses * (2 if encoder.both_edges else 1)
    even = encoder.first_deg + 360.0 / count * np.arange(count)
    off_centre = np.sin(np.radians(even - encoder.eccentric_at_deg))
    error = encoder.placement_deg * stream(seed, "disc").standard_normal(count)
    place = even + error + encoder.eccentric_deg * off_centre
    rising = np.ones(count, bool)
    if encoder.both_edges:
        rising[1::2] = False
    if np.any(np.diff(place, append=place[0] + 360.0) <= 0.0):
        raise ValueError("placement_deg is too large for so many pulses: edges would swap")
    return place, rising
