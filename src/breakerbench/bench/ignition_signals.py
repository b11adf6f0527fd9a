"""Channels of an ignition circuit behind their front ends, as samples.

A front end of first order adds one mode to the sum of exponentials: a mode ``a exp(lam t)`` comes out as
``a / (1 + lam tau) exp(lam t)``, and what is left over dies as ``exp(-t / tau)``. Samples of one stretch
are evenly spaced, so that their exponentials are products of a coarse and a fine table.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.front_end import FrontEnd
from breakerbench.bench.ignition_run import Run
from breakerbench.trace import Channel

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: Decays are followed until this share of a count is left of them.
_LEFT_COUNTS = 1e-3
_FINE = 256
#: Stretches whose amplitudes are worked out in one go.
_CHUNK = 1 << 14


class Ringing:
    """A signal of a run behind a front end.

    signal  a row of ``Modes.outputs``
    sign    -1 turns it round (positive ground)
    """

    def __init__(
        self,
        run: Run,
        signal: int,
        sign: float,
        front_end: FrontEnd,
        channel: Channel,
        rate_hz: float,
    ) -> None:
        self._run = run
        self._channel, self._rate_hz = channel, rate_hz
        tau = self._tau_s = front_end.tau_s
        lag = front_end.dead_s + np.where(run.closing, front_end.closing_lag_s, 0.0)
        self._start = np.maximum.accumulate(run.start_s + lag)
        rates = np.stack([kind.rates for kind in run.kinds])
        # a mode as fast as the front end would need a third form; a millionth off is the same signal
        self._rates = np.where(np.abs(1.0 + rates * tau) < 1e-6, rates * (1.0 + 1e-6), rates)
        shown = np.stack([kind.shown[signal] for kind in run.kinds])
        self._passed = sign * shown / (1.0 + self._rates * tau)
        levels = np.stack([kind.levels[signal] for kind in run.kinds])
        self._level = sign * np.einsum("nk,nk->n", levels[run.kind], run.inputs)
        self._fast, self._lasts = self._settle()
        self._tables: dict[int, Floats] = {}

    def _amplitudes(self, rows: slice) -> Complexes:
        amplitudes: Complexes = self._passed[self._run.kind[rows]] * self._run.weights[rows]
        return amplitudes

    def _settle(self) -> tuple[Floats, Floats]:
        """What is left of the past at the start of each stretch, and how long all of it lasts."""
        count, tau = self._start.size, self._tau_s
        lasting = np.append(np.diff(self._start), np.inf)
        begins, ends = np.empty(count), np.empty(count)
        lasts = np.empty(count)
        decays = np.maximum(-self._rates.real, 1e-9)
        least = abs(self._channel.scale) * _LEFT_COUNTS
        for first in range(0, count, _CHUNK):
            rows = slice(first, first + _CHUNK)
            kind = self._run.kind[rows]
            amplitude = self._amplitudes(rows)
            begins[rows] = amplitude.real.sum(axis=1)
            wait = np.minimum(lasting[rows], 1e6)
            left = amplitude * np.exp(self._rates[kind] * wait[:, None])
            ends[rows] = left.real.sum(axis=1)
            size = np.maximum(np.abs(amplitude) / least, 1.0)
            lasts[rows] = np.max(np.log(size) / decays[kind], axis=1)
        fast = np.zeros(count)
        level = self._level.tolist()
        fading = np.exp(-lasting / tau).tolist()
        shows = level[0] + float(begins[0])
        for row, (begin, end) in enumerate(zip(begins.tolist(), ends.tolist(), strict=True)):
            fast[row] = left_over = shows - level[row] - begin
            shows = level[row] + end + left_over * fading[row]
        settling = tau * np.log(np.maximum(np.abs(fast) / least, 1.0))
        return fast, np.maximum(lasts, settling)

    def at(self, time_s: Floats) -> Floats:
        """The signal behind its front end at any times, s."""
        row = np.maximum(np.searchsorted(self._start, time_s, side="right") - 1, 0)
        since = (time_s - self._start[row])[:, None]
        kind = self._run.kind[row]
        swing = self._passed[kind] * self._run.weights[row] * np.exp(self._rates[kind] * since)
        fast = self._fast[row] * np.exp(-since[:, 0] / self._tau_s)
        found: Floats = self._level[row] + swing.real.sum(axis=1) + fast
        return found

    def counts(self, first: int, count: int) -> NDArray[np.float32]:
        """``count`` samples of the channel from ``first`` on, in counts, not rounded or clipped."""
        channel, rate_hz = self._channel, self._rate_hz
        begin_s = first / rate_hz + channel.offset_s
        low = max(int(np.searchsorted(self._start, begin_s, side="right")) - 1, 0)
        high = int(np.searchsorted(self._start, begin_s + count / rate_hz))
        rows = slice(low, high)
        start = self._start[rows]
        position = np.ceil((start - channel.offset_s) * rate_hz) - first
        begins = np.clip(position, 0, count).astype(np.intp)
        ends = np.append(begins[1:], count)
        level = ((self._level[rows] - channel.zero) / channel.scale).astype(np.float32)
        counts: NDArray[np.float32] = np.repeat(level, ends - begins)
        last = np.ceil((start + self._lasts[rows] - channel.offset_s) * rate_hz) - first
        much = np.minimum(np.clip(last, 0, count).astype(np.intp), ends) - begins
        since = (first + begins) / rate_hz + channel.offset_s - start
        kind = self._run.kind[rows]
        swing = self._amplitudes(rows) * np.exp(self._rates[kind] * since[:, None])
        fast = self._fast[rows] * np.exp(-since / self._tau_s)
        now = np.concatenate((swing, fast[:, None]), axis=1) / channel.scale
        for row in np.flatnonzero(much > 0).tolist():
            begin, number = int(begins[row]), int(much[row])
            counts[begin : begin + number] += self._decays(int(kind[row]), now[row], number)
        return counts

    def _decays(self, kind: int, amplitude: Complexes, number: int) -> NDArray[np.float32]:
        """A sum of decaying exponentials at evenly spaced samples."""
        table = self._tables.get(kind)
        steps = np.append(self._rates[kind], -1.0 / self._tau_s) / self._rate_hz
        if table is None:
            powers = np.exp(steps[:, None] * np.arange(_FINE))
            table = self._tables[kind] = np.concatenate((powers.real, -powers.imag))
        if number <= _FINE:
            coarse = np.concatenate((amplitude.real, amplitude.imag))
            return (coarse @ table[:, :number]).astype(np.float32)
        blocks = np.arange(-(-number // _FINE)) * _FINE
        turned = amplitude * np.exp(blocks[:, None] * steps)
        whole = np.concatenate((turned.real, turned.imag), axis=1) @ table
        return np.asarray(whole.ravel()[:number], np.float32)
