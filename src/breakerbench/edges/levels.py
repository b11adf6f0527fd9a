"""Where the closed and the open contact stand in the points channel, found from the trace itself.

Closed is the level that the signal keeps coming back to nearest to zero volts; open is everything
that is clearly away from it. Nothing here assumes 6 or 12 V, a polarity, or a clean open level: with
a coil the open contact rings through zero and burns at tens of volts, with a condenser it rises
slowly. All levels are in counts of the channel (float32 imports: in volts).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

#: A crossing is looked for at this share of the swing, and believed where the other side of it goes
#: past the second: one comparison a sample, with hysteresis.
LOW_SHARE = 0.25
HIGH_SHARE = 0.5
#: A dip of the open level begins where the signal falls so far from it, in shares of the swing and in
#: units of the noise; it is believed from DEEP times that on.
DIP_SHARE, DIP_NOISES = 0.08, 6.0
DEEP = 2.0
#: The smallest swing that is taken for a contact, in units of the noise.
MIN_SWING_NOISES = 10.0
#: The same in steps of the converter: hum at rest on one that cuts off at closed gets no further.
MIN_SWING_GRAINS = 16.0
#: A range is wide where COIL_SWING_V are fewer noises than FEW_NOISES, and MIN_PEAKS samples lie beyond
#: FAR_SPIKES of them; closed is then sought among the samples within FAR_REACH.
FEW_NOISES, MIN_PEAKS, FAR_SPIKES, FAR_REACH = 16.0, 8, 40.0, 16.0
#: No converter worth the name steps by more than this share of what it shows.
MOST_QUANTUM = 0.002
#: A fall on the way to a touch is looked for from so many samples before it on.
FALL_SAMPLES = 8
#: With a coil the open contact stands at no level of its own; bands are then those of a 6 V system.
COIL_SWING_V = 6.0
#: Touches needed before the levels are believed while more data can come.
MIN_TOUCHES = 4

Floats = NDArray[np.float64]


def band_low(swing: Floats | float, noise: Floats | float) -> Floats:
    """Distance from closed at which a crossing is looked for."""
    return np.maximum(LOW_SHARE * swing, 5.0 * noise)


def band_high(swing: Floats | float, noise: Floats | float) -> Floats:
    """Distance from closed that a crossing must go past to be believed."""
    return np.maximum(HIGH_SHARE * swing, 8.0 * noise)


def dip_begin(swing: Floats | float, noise: Floats | float) -> Floats:
    """Distance from the open level of a dry feed at which a dip begins."""
    return np.maximum(DIP_SHARE * swing, DIP_NOISES * noise)


@dataclass(frozen=True, slots=True)
class Levels:
    """closed, swing, noise in counts; sign +1 where open lies above closed, -1 below.

    swing  typical distance of the open contact from closed (its lower quintile; with a coil at most
           COIL_SWING_V, since spikes, burn line and ringing stand at no level of their own)
    noise  standard deviation of the samples of the closed contact
    coil   True where the open contact rings: it must then be told from a closing
    """

    closed: float
    swing: float
    sign: int
    noise: float
    coil: bool

    @property
    def low(self) -> float:
        return float(band_low(self.swing, self.noise))

    @property
    def high(self) -> float:
        return float(band_high(self.swing, self.noise))


def noise_of(x: Floats) -> float:
    """Standard deviation of the noise of ``x``, from the steps between neighbours."""
    every = _thinning(x)
    ahead = x[1::every]
    return _noise_of_steps(ahead - x[::every][: len(ahead)])


def _thinning(x: Floats | NDArray[np.int64]) -> int:
    """Every how many values are enough to learn from: some 65,536 of them."""
    return max(1, len(x) // 65536)


def _noise_of_steps(steps: Floats) -> float:
    """Standard deviation of the noise whose neighbours differ by ``steps``.

    Edges and ringing are few among the steps: the median does not see them, and the root mean square
    of what lies within four of it is free of the rounding that the median suffers. Never zero: a
    fraction of the quantum is left where a trace is cleaner than its own resolution.
    """
    size = np.abs(steps)
    tiny = float(np.finfo(np.float32).tiny)
    if not len(size):
        return tiny
    real = size[size > 0]
    # A trace of two ideal levels has one step only, and that is no quantum.
    quantum = min(float(real.min()), MOST_QUANTUM * float(real.max())) if len(real) else 0.0
    median = max(float(np.median(size)) / 0.6745, 0.5 * quantum)
    inner = size[size <= 4.0 * median]
    sigma = float(np.sqrt((inner**2).mean())) / np.sqrt(2.0) if len(inner) else 0.0
    return float(max(sigma, 0.29 * quantum, tiny))


#: Third differences of so many samples in a row; share of the variance of pure noise that the
#: quietest fifth of such pieces shows (drawn at random, 40,000 pieces).
QUIET_PIECES = ((16, 0.523), (8, 0.315), (5, 0.155))


def quiet_noise(x: Floats) -> float:
    """Standard deviation of the noise in the quietest fifth of short pieces of ``x``.

    Third differences, which a smooth course leaves out; pieces that touch the lowest or the highest
    reading are cut off and do not count. inf where there are no others.
    """
    low, high = x.min(), x.max()
    x = x[: 1 << 17]
    for size, share in QUIET_PIECES:
        pieces = x[: len(x) // size * size].reshape(-1, size)
        whole = (pieces.min(axis=1) > low) & (pieces.max(axis=1) < high)
        if int(whole.sum()) >= 20:
            # The squares of the weights 1, 3, 3, 1 add up to 20.
            power = (np.diff(pieces[whole], n=3, axis=1) ** 2).mean(axis=1) / 20.0
            return float(np.sqrt(np.quantile(power, 0.2) / share))
    return np.inf


def split_two(values: Floats, bins: int = 128) -> float:
    """Threshold that splits ``values`` in two groups with the least variance within (Otsu 1979)."""
    low, high = float(values.min()), float(values.max())
    if not high > low:
        return low
    counts, edges = np.histogram(values, bins=bins, range=(low, high))
    centres = 0.5 * (edges[1:] + edges[:-1])
    weight = np.cumsum(counts).astype(float)
    moment = np.cumsum(counts * centres)
    total, whole = weight[-1], moment[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (whole * weight - moment * total) ** 2 / (weight * (total - weight))
    between[~np.isfinite(between)] = -1.0
    best = np.flatnonzero(between >= between.max() * (1 - 1e-9))
    return float(0.5 * (centres[best[0]] + centres[best[-1]]) + 0.5 * (edges[1] - edges[0]))


def _two_plateaus(x: Floats, zero: float) -> tuple[float, float] | None:
    """(closed, open) where nearly all samples lie on two plateaus, else None."""
    cut = split_two(x)
    below, above = x[x <= cut], x[x > cut]
    if min(len(below), len(above)) < 0.02 * len(x):
        return None
    inside = below.var() * len(below) + above.var() * len(above)
    if inside > 0.08 * x.var() * len(x):
        return None
    a, b = float(np.median(below)), float(np.median(above))
    return (a, b) if abs(a - zero) <= abs(b - zero) else (b, a)


def _closed_among_ringing(x: Floats, zero: float, noise: float, wide: bool = False) -> float | None:
    """Closed level where the open one is spread: the group next to zero on a logarithmic scale."""
    away = np.abs(x - zero)
    floor = max(5.0 * noise, 0.003 * float(away.max()))
    cut = float(np.exp(split_two(np.log(np.maximum(away, floor)))))
    near = x[away < cut]
    # Nearly all is near zero in a range made for spikes (``wide``).
    if not 0.03 * len(x) < len(near) < (0.999 if wide else 0.97) * len(x):
        return None
    return float(np.median(near))


def _nearer(x: Floats, closed: float, zero: float, noise: float) -> float:
    """The closed level where the samples about it stand on more levels than one, else as it was.

    In a wide range the open contact at rest stands next to zero as well.
    """
    near = x[np.abs(x - closed) < FAR_REACH * noise]
    if len(near) < 100 or float(np.ptp(near)) < 4.0 * noise:
        return closed
    counts, edges = np.histogram(near, np.arange(near.min(), near.max() + noise, noise))
    if len(counts) < 3:
        return closed
    smooth = np.convolve(counts, (1.0, 2.0, 1.0), "same")
    padded = np.pad(smooth, 1)
    peaks = (smooth >= padded[:-2]) & (smooth >= padded[2:]) & (smooth > 0.2 * smooth.max())
    places = edges[:-1][peaks] + 0.5 * noise
    if not len(places):
        return closed
    place = float(places[np.argmin(np.abs(places - zero))])
    if abs(place - closed) < 2.5 * noise:
        return closed
    return float(np.median(near[np.abs(near - place) < 2.0 * noise]))


def learn_levels(x: Floats, zero: float, per_volt: float) -> Levels | None:
    """Levels of the stretch ``x`` (counts; zero volts at ``zero``), or None where no contact works.

    per_volt  counts a volt (1 for float32 imports)

    None means: no two levels, or fewer than MIN_TOUCHES sharp closings. A closing is always sharp
    (the contact shorts whatever lies across it), hum and drift at rest are not.
    """
    if len(x) < 16:
        return None
    noise = noise_of(x)
    thin = x[:: _thinning(x)]
    # Single clean points never make a level; extreme spikes would flatten the histogram.
    bounds = np.percentile(thin, [0.5, 99.5])
    plateaus = _two_plateaus(np.clip(thin, bounds[0], bounds[1]), zero)
    # In a range made for the spikes of a coil the feed hardly stands out of the noise.
    wide = COIL_SWING_V * per_volt < FEW_NOISES * noise
    wide &= int((np.abs(x - zero) > FAR_SPIKES * noise).sum()) >= MIN_PEAKS
    closed = plateaus[0] if plateaus else _closed_among_ringing(thin, zero, noise, wide)
    if closed is None:
        return None
    if wide:
        closed = _nearer(thin, closed, zero, noise)
    away = thin - closed
    # Hum on the closed level must not be taken for an open contact: on two plateaus the half-way
    # mark between them tells, else a small share of the largest reading.
    least = 0.5 * abs(plateaus[1] - closed) if plateaus else 0.02 * float(np.abs(away).max())
    clear = np.abs(away) > max(6.0 * noise, least)
    if not clear.any():
        return None
    swing = float(np.percentile(np.abs(away[clear]), 20.0))
    # Spikes are no hum: a lower swing will do.
    share = 0.5 if wide else 1.0
    if swing < share * max(MIN_SWING_NOISES * noise, MIN_SWING_GRAINS * _grain(thin)):
        return None
    sign = 1 if float(np.median(away[clear])) > 0 else -1
    levels = Levels(closed=closed, swing=swing, sign=sign, noise=noise, coil=False)
    return _confirm(x, levels, per_volt)


def _confirm(x: Floats, levels: Levels, per_volt: float) -> Levels | None:
    """Check that closings are sharp, and see whether openings ring."""
    u = (x - levels.closed) * levels.sign
    near = np.abs(u) < levels.low
    quiet = quiet_noise(x)
    whole = near
    if np.isfinite(quiet):
        # What the converter cut off has lost its noise. Where nothing keeps still but at the lowest
        # and the highest reading, there is none.
        whole = near & (x > x.min()) & (x < x.max())
    both = np.flatnonzero(whole[1:] & whole[:-1])
    if len(both) > 100:
        both = both[:: _thinning(both)]
        levels = replace(levels, noise=_noise_of_steps(u[both + 1] - u[both]))
    else:
        levels = replace(levels, noise=min(levels.noise, _quantum(x)))
    # Where closed itself is cut off, what is left near it is edges: quiet stretches elsewhere tell.
    if quiet < 0.5 * levels.noise:
        floor = 0.29 * min(_quantum(x), MOST_QUANTUM * float(np.ptp(x)))
        levels = replace(levels, noise=max(quiet, floor))
    # A trace may have none at all; much is held against it.
    levels = replace(levels, noise=max(levels.noise, float(np.finfo(np.float32).tiny)))
    out = ~near
    change = np.flatnonzero(out[1:] != out[:-1]) + 1
    inner = change[(change > 8) & (change < len(x) - 8)]
    touches = inner[~out[inner]]
    if len(touches) == 0:
        return None
    before, after = np.abs(u[touches - 3]), np.abs(u[touches + 2])
    # A coil may ring close by closed at every touch: then it shows by where it gets to.
    sharp = (before > levels.high) & (after < levels.low)
    sharp |= (before > 1.5 * levels.low) & (after < 0.5 * levels.low)
    solid = np.abs(u[touches + 5]) < levels.low
    # A bounce may lift the contact just then; after a short one it was open but for a moment before.
    span = touches[touches < len(x) - 14][:, None]
    fell = np.abs(u[span - np.arange(1, 4)]).max(axis=1) > levels.high
    fell &= np.median(np.abs(u[span + np.arange(3, 14)]), axis=1) < levels.low
    if max(int((sharp & solid).sum()), int(fell.sum())) < MIN_TOUCHES:
        return None
    leaves = change[out[change]]
    if len(leaves) and len(change) and change[-1] == leaves[-1]:
        leaves = leaves[:-1]
    ends = change[np.searchsorted(change, leaves) + 1] if len(leaves) else leaves
    if not len(leaves):
        return None
    # A dry contact stays where it rose to until it closes; a coil's has spiked, rung or burnt.
    bounds = np.stack([leaves, ends], axis=1).ravel()
    peak = np.maximum.reduceat(np.abs(u), bounds[bounds < len(u)])[::2]
    # Noise on a slow rise makes many crossings, which get nowhere.
    real = peak > levels.high
    if not real.any():
        return None
    touches = np.setdiff1d(touches, ends[~real])
    leaves, ends, peak = leaves[real], ends[real], peak[real]
    last = np.median(np.abs(u)[np.maximum(ends[:, None] - np.arange(4, 8), 0)], axis=1)
    longer = ends - leaves > 8
    spent = peak > 1.25 * last + 6.0 * levels.noise
    other_side = bool((u < -levels.low).mean() > 1e-3)
    # On the way to a touch a dry contact never falls; a ring that passes closed does. One that has
    # just come back from a bounce has fallen before, at the touch.
    since = touches - change[np.maximum(np.searchsorted(change, touches) - 1, 0)]
    held_at = touches[(touches > 12) & (since > FALL_SAMPLES)]
    falling = u[held_at - FALL_SAMPLES] - u[held_at - 4] > 8.0 * levels.noise + 0.03 * levels.swing
    # A level that is constant to the digit, where the closed contact has noise, is cut off.
    top = float(u.max())
    noisy = levels.noise > max(0.3 * _quantum(x), 1e-5 * levels.swing)
    cut = noisy and float((u == top).mean()) > 0.02
    rings = (
        other_side
        or cut
        or _flats_after_openings(touches, leaves)
        or bool(longer.any() and spent[longer].mean() > 0.1)
        or bool(len(falling) > 0 and falling.mean() > 0.3)
    )
    if rings:
        # A ring below closed, cut off or not, tells nothing of where the open contact stands.
        above = u[u > max(6.0 * levels.noise, 0.02 * float(np.abs(u).max()))]
        swing = float(np.percentile(above, 20.0)) if len(above) else levels.swing
        levels = replace(levels, swing=min(swing, COIL_SWING_V * per_volt))
    return replace(levels, coil=rings)


def _grain(x: Floats) -> float:
    """Least difference between two readings; 0 where there are too few readings to tell."""
    values = np.unique(x[:: max(1, len(x) // 8192)])
    if len(values) < 8:
        return 0.0
    steps = np.diff(values)
    return float(steps[steps > 1e-6 * np.ptp(values)].min(initial=np.inf))


def _quantum(x: Floats) -> float:
    steps = np.abs(np.diff(x[:4096]))
    real = steps[steps > 0]
    return float(real.min()) if len(real) else 0.0


def _flats_after_openings(touches: NDArray[np.int64], leaves: NDArray[np.int64]) -> bool:
    """True where many short runs at closed follow openings: bottoms of a ring that are cut off.

    Bounce makes short runs too, but these go before a long one.
    """
    touches = touches[touches < leaves[-1]]
    ends = leaves[np.searchsorted(leaves, touches, side="right")]
    held = ends - touches
    long = np.flatnonzero(held >= 0.3 * held.max(initial=0))
    if len(long) < 3:
        return False
    short = np.setdiff1d(np.arange(len(held)), long)
    short = short[(short > long[0]) & (short < long[-1])]
    place = np.searchsorted(long, short)
    after = touches[short] - ends[long[place - 1]]
    before = touches[long[place]] - ends[short]
    return int((after < before).sum()) > 0.7 * len(long)


def track_levels(levels: Levels, x: NDArray[np.int16] | NDArray[np.float32]) -> Levels:
    """Levels moved along with one block: supply drift, a warm contact, a wandering offset.

    The block is thinned to some 1,000 samples; a block that does not show a level leaves it alone.
    """
    away = x[:: max(1, len(x) // 1024)].astype(np.float64)
    away -= levels.closed
    size = np.abs(away)
    near = away[size < levels.low]
    closed, swing = levels.closed, levels.swing
    if len(near) > 50:
        # The middle half alone: a condenser's slow rise begins near closed and would pull it up.
        begin, end = len(near) // 4, len(near) * 3 // 4
        middle = np.partition(near, (begin, end))[begin:end]
        closed += 0.5 * float(np.add.reduce(middle)) / len(middle)
    if levels.coil:
        return replace(levels, closed=closed)
    far = size[size > levels.high]
    if len(far) > 50:
        place = len(far) // 5
        now = float(np.partition(far, place)[place])
        swing += 0.3 * (min(max(now, 0.5 * swing), 2.0 * swing) - swing)
    return replace(levels, closed=closed, swing=swing)
