"""Pulses of a clip-on pickup: one at each firing on the coil's lead, one a revolution on a plug's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.cycles import Batch
from breakerbench.trace import Header

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Where a pulse is looked for, from the opening on, and the quiet before it, s.
AFTER_S, BEFORE_S, AWAY_S = 0.15e-3, 0.15e-3, 0.05e-3
#: A pulse is this share of the large ones, and this many times the noise.
SHARE, ABOVE_NOISE = 0.35, 8.0
#: Openings with a known pulse that it takes to say where the pickup is.
LEAST = 12
ROWS = 2048


@dataclass(frozen=True, slots=True, eq=False)
class Pickup:
    """on      "tower one", "coil lead"; None where the pulses show no order
    lobe    of tower one, counted from 0; None where it is not on it
    sign    +1 or -1: the way the pulses go; 0 where they go both ways
    pulses, openings   counted
    """

    on: str | None
    lobe: int | None
    sign: int
    pulses: int
    openings: int


class Pulses:
    """Keeps the peak of the ``spark`` channel after each opening, with its sign: 4 bytes an opening."""

    def __init__(self, header: Header) -> None:
        row = header.position("spark")
        self.there = row is not None and header.position("points_v") is not None
        self._rate = header.sample_rate_hz
        self._numbers: list[Ints] = []
        self._peaks: list[NDArray[np.float32]] = []
        self._noise: list[NDArray[np.float32]] = []

    def add(self, batch: Batch) -> None:
        if not self.there:
            return
        shift = batch.held.shift("spark")
        before, away = int(BEFORE_S * self._rate) + 2, int(AWAY_S * self._rate) + 1
        after = int(AFTER_S * self._rate) + 2
        for start in range(0, len(batch), ROWS):
            at = batch.open_at[start : start + ROWS] + shift
            first = np.floor(at).astype(np.int64) - away - before
            volts = batch.held.window("spark", first, before + away + after)
            quiet, pulse = volts[:, :before], volts[:, before + away - 1 :]
            whole = np.isfinite(volts).all(axis=1)
            quiet, pulse = np.nan_to_num(quiet), np.nan_to_num(pulse)
            pulse = pulse - np.median(quiet, axis=1)[:, None]
            k = np.argmax(np.abs(pulse), axis=1)
            peak = pulse[np.arange(len(pulse)), k]
            self._numbers.append(batch.number[start : start + ROWS][whole])
            self._peaks.append(peak[whole].astype(np.float32))
            self._noise.append(quiet.std(axis=1)[whole].astype(np.float32))

    def peaks(self) -> tuple[Ints, Floats, float]:
        """Numbers of the openings, their peaks, and what counts as a pulse."""
        if not self._numbers:
            return np.empty(0, np.int64), np.empty(0), np.inf
        number = np.concatenate(self._numbers)
        peak = np.concatenate(self._peaks).astype(np.float64)
        noise = float(np.median(np.concatenate(self._noise)))
        size = np.sort(np.abs(peak))
        # The large ones: of one tower among twelve there are few.
        large = float(np.median(size[-max(len(size) // 16, min(3, len(size))) :]))
        return number, peak, max(SHARE * large, ABOVE_NOISE * noise)

    def without(self) -> Ints:
        """Numbers of the openings without a pulse."""
        number, peak, least = self.peaks()
        return number[np.abs(peak) < least]

    def pickup(self, lobes: int | None, lobe_of: Ints | None) -> Pickup | None:
        """Where the pickup is; None where there is none, or too few openings to say.

        lobes    of the cam; lobe_of: lobe of each opening by its number, from 0; -1 not known
        """
        if not self.there:
            return None
        number, peak, least = self.peaks()
        n = len(number)
        if n < LEAST:
            return None
        there = np.abs(peak) >= least
        signs = np.sign(peak[there])
        sign = 0
        if len(signs):
            mean = float(signs.mean())
            sign = 0 if abs(mean) < 0.9 else int(np.sign(mean))
        share = float(there.mean())
        on, lobe = None, None
        if lobes is not None and lobes > 1:
            if share <= 1.3 / lobes and lobe_of is not None and len(lobe_of):
                of = np.where(
                    number < len(lobe_of), lobe_of[np.clip(number, 0, len(lobe_of) - 1)], -1
                )
                known = there & (of >= 0)
                if int(known.sum()) >= 3:
                    counts = np.bincount(of[known], minlength=lobes)
                    if counts.max() >= 0.9 * counts.sum():
                        on, lobe = "tower one", int(np.argmax(counts))
            elif share <= 1.3 / lobes:
                on = "tower one"
            elif share > 0.5:
                on = "coil lead"
        elif lobes == 1:
            on = "coil lead"
        return Pickup(on, lobe, sign, int(there.sum()), n)
