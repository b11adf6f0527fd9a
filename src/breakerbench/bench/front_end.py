"""Front end and converter: what the board makes of a signal.

The front end is of first order, so pieces of one exponential come out as pieces of two, in closed
form. Its delay is stated as the project states delays: how late a step shows at half its height,
``tau_s * ln 2`` and any dead time on top.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.feed import Pieces
from breakerbench.trace import Channel

Floats = NDArray[np.float64]

#: Decays are followed until this share of a count is left of them.
_LEFT_COUNTS = 1e-3


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """Front end of one sampled channel.

    cutoff_hz      corner of its first order
    dead_s         further delay, the same for every edge, s
    closing_lag_s  how much later closings come than openings, s: the error that remains after the
                   stated delay has been taken out
    u_delay_s      standard uncertainty stated for that error, s
    offset         what the channel reads at nothing, in its unit; nobody is told
    gain_error     how much too large it reads, as a share; nobody is told
    u_gain         standard uncertainty stated for that, as a share; None: none is stated
    u_zero         standard uncertainty stated for ``offset``, in its unit; None: none is stated
    """

    cutoff_hz: float = 30e3
    dead_s: float = 0.0
    closing_lag_s: float = 0.0
    u_delay_s: float = 0.0
    offset: float = 0.0
    gain_error: float = 0.0
    u_gain: float | None = None
    u_zero: float | None = None

    @property
    def tau_s(self) -> float:
        return 1.0 / (2.0 * math.pi * self.cutoff_hz)

    @property
    def delay_s(self) -> float:
        """Stated delay: of the half height of a step, s."""
        return self.tau_s * math.log(2.0) + self.dead_s


@dataclass(frozen=True, slots=True)
class Converter:
    """Round-robin converter of all sampled channels.

    sample_rate_hz  of each channel
    bits            resolution
    noise_counts    white noise, rms
    """

    sample_rate_hz: float = 250e3
    bits: int = 12
    noise_counts: float = 4.0

    def __post_init__(self) -> None:
        if not 1e3 <= self.sample_rate_hz <= 2e6:
            raise ValueError("sample_rate_hz must lie from 1 kHz to 2 MHz")
        if not 8 <= self.bits <= 15 or self.noise_counts < 0:
            raise ValueError("bits must lie from 8 to 15, noise_counts must not be negative")

    @property
    def top(self) -> int:
        """Highest count."""
        return (1 << self.bits) - 1


def channel_of(
    name: str,
    unit: str,
    full_scale: float,
    front_end: FrontEnd,
    converter: Converter,
    position: int,
    channels: int,
) -> Channel:
    """Header entry of a channel that reads from -full_scale to +full_scale."""
    return Channel(
        name=name,
        unit=unit,
        scale=2.0 * full_scale / (converter.top + 1),
        zero=-full_scale,
        offset_s=position / (channels * converter.sample_rate_hz),
        delay_s=front_end.delay_s,
        u_delay_s=front_end.u_delay_s,
        rail_counts=(0.0, float(converter.top)),
        u_gain=front_end.u_gain,
        u_zero=front_end.u_zero,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Filtered:
    """A signal behind its front end, one row a piece, in the unit of the signal:

    ``level + slow * exp(-(t - start_s) / slow_tau_s) + fast * exp(-(t - start_s) / fast_tau_s)``
    """

    start_s: Floats
    level: Floats
    slow: Floats
    slow_tau_s: Floats
    fast: Floats
    fast_tau_s: float
    lasts_s: Floats

    def at(self, time_s: Floats) -> Floats:
        """The signal at any times, s."""
        row = np.searchsorted(self.start_s, time_s, side="right") - 1
        return self.level[row] + self._decays(row, time_s - self.start_s[row])

    def counts(
        self, first: int, count: int, channel: Channel, rate_hz: float
    ) -> NDArray[np.float32]:
        """``count`` samples of a channel from ``first`` on, in counts, not rounded or clipped."""
        begin_s = first / rate_hz + channel.offset_s
        end_s = begin_s + count / rate_hz
        rows = slice(
            int(np.searchsorted(self.start_s, begin_s, side="right")) - 1,
            int(np.searchsorted(self.start_s, end_s)),
        )
        start = self.start_s[rows]
        position = np.ceil((start - channel.offset_s) * rate_hz) - first
        begins = np.clip(position, 0, count).astype(np.intp)
        ends = np.append(begins[1:], count)
        level = ((self.level[rows] - channel.zero) / channel.scale).astype(np.float32)
        counts: NDArray[np.float32] = np.repeat(level, ends - begins)
        # decays, only as long as something is left of them
        last = np.ceil((start + self.lasts_s[rows] - channel.offset_s) * rate_hz) - first
        much = np.minimum(np.clip(last, 0, count).astype(np.intp), ends) - begins
        row = np.flatnonzero((much > 0) & np.isfinite(start))
        much = much[row]
        which = np.repeat(row, much)
        earlier = np.concatenate(([0], np.cumsum(much)[:-1]))
        sample = np.repeat(begins[row] - earlier, much) + np.arange(which.size)
        since = (first + sample) / rate_hz + channel.offset_s - start[which]
        decays = self._decays(which + rows.start, since)
        counts[sample] += (decays / channel.scale).astype(np.float32)
        return counts

    def _decays(self, row: NDArray[np.intp], since_s: Floats) -> Floats:
        settled = np.isinf(since_s)
        since = np.where(settled, 0.0, since_s)
        slow = self.slow[row] * np.exp(-since / self.slow_tau_s[row])
        fast = self.fast[row] * np.exp(-since / self.fast_tau_s)
        decays: Floats = np.where(settled, 0.0, slow + fast)
        return decays


def filtered(
    pieces: Pieces, front_end: FrontEnd, closing: NDArray[np.bool_], scale: float
) -> Filtered:
    """The pieces behind a front end.

    closing  per piece, True where it begins with a closing (its lag is that of the front end)
    scale    unit of the signal a count, to know how long decays must be followed
    """
    tau = front_end.tau_s
    lag = front_end.dead_s + np.where(closing, front_end.closing_lag_s, 0.0)
    start = pieces.start_s + lag
    slow_tau = np.where(pieces.excess != 0.0, pieces.tau_s, 10.0 * tau)
    slow_tau = np.maximum(slow_tau, 1e-12)
    # equal time constants would need a third form; a millionth apart is the same signal
    slow_tau = np.where(np.abs(slow_tau / tau - 1.0) < 1e-6, tau * (1.0 + 1e-6), slow_tau)
    slow = pieces.excess * slow_tau / (slow_tau - tau)
    settled = pieces.level + slow
    lasting = np.diff(start[1:], append=np.inf)
    slow_left = (slow[1:] * np.exp(-lasting / slow_tau[1:])).tolist()
    fast_left = np.exp(-lasting / tau).tolist()
    level, settles = pieces.level.tolist(), settled.tolist()
    fast = [0.0]
    now = level[0]
    for row, (slowly, decay) in enumerate(zip(slow_left, fast_left, strict=True), start=1):
        fast.append(now - settles[row])
        now = level[row] + slowly + fast[row] * decay
    largest = (np.abs(slow) + np.abs(np.array(fast))) / (abs(scale) * _LEFT_COUNTS)
    lasts = np.maximum(slow_tau * (slow != 0.0), tau) * np.log(np.maximum(largest, 1.0))
    return Filtered(start, pieces.level, slow, slow_tau, np.array(fast), tau, lasts)
