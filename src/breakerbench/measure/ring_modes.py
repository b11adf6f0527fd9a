"""Damped modes of the coil with the condenser: their shapes, and which ones a ring is made of.

A mode is a solution of x'' + 2 d x' + w2 x = 0 (textbook RLC circuit: d = R / 2L, w2 = 1 / LC): a
damped sinusoid for w2 > d^2, two exponentials else. Time is in milliseconds here, d in 1/ms and w2
in 1/ms^2, so that all numbers lie near one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Two equal exponents are one too few: kept this far apart, 1/ms.
APART = 1e-6
#: Windows of this length tell the poles of a ring, s.
LAGS_S = 0.3e-3
#: Differences over this take a level out, s.
DIFFERENCE_S = 0.06e-3
#: An eigenvalue this much above the noise belongs to a mode.
ABOVE_NOISE = 1.5
#: The slow mode has this share of the energy at least.
LEAST_ENERGY = 0.01


@dataclass(frozen=True, slots=True)
class Mode:
    """d in 1/ms, w2 in 1/ms^2, both above 0."""

    d: float
    w2: float

    @property
    def hz(self) -> float:
        """Frequency of the damped ring, Hz; 0 where it does not ring."""
        return float(np.sqrt(max(self.w2 - self.d**2, 0.0))) / (2.0 * np.pi) * 1e3

    @property
    def decay(self) -> float:
        """By what factor the amplitude falls in one cycle (1: not at all); 0 where none rings."""
        return float(np.exp(-self.d / self.hz * 1e3)) if self.hz > 0.0 else 0.0

    @property
    def slowest(self) -> float:
        """Slowest decay in it, 1/ms."""
        return self.d if self.w2 >= self.d**2 else self.d - float(np.sqrt(self.d**2 - self.w2))

    def shapes(self, t: Floats) -> Floats:
        """(n, 2): the solutions that begin as (1, -d) and as (0, 1) in value and slope, at times t."""
        out = np.empty((len(t), 2))
        out[:, 0], out[:, 1] = self._both(t)
        return out

    def _both(self, t: Floats) -> tuple[Floats, Floats]:
        square = self.d**2 - self.w2
        if square < 0.0:
            m = math.sqrt(-square)
            e = np.exp(-self.d * t)
            return e * np.cos(m * t), e * np.sin(m * t) / m
        m = math.sqrt(square) + APART
        slow, fast = np.exp((m - self.d) * t), np.exp(-(m + self.d) * t)
        return 0.5 * (slow + fast), 0.5 * (slow - fast) / m


def mode_of(hz: float, decay_per_s: float) -> Mode:
    """The mode that rings at ``hz`` and decays as exp(-decay_per_s t)."""
    d = decay_per_s * 1e-3
    return Mode(d, d**2 + (2.0 * np.pi * hz * 1e-3) ** 2)


def _through(mode: Mode, tau: float) -> tuple[float, float, float]:
    """(1 + tau A)^-1 for shapes' = A shapes: what lies on its diagonal, above and below it.

    Element by element: a fit asks for thousands of them.
    """
    across, along = mode.d**2 - mode.w2, 1.0 - tau * mode.d
    over = 1.0 / (along**2 - tau**2 * across)
    return along * over, -tau * across * over, -tau * over


def seen_through(mode: Mode, tau: float, t: Floats) -> Floats:
    """(n, 2) shapes behind a first-order front end of time constant tau (ms), once it has settled.

    y + tau y' = f gives y = (1 + tau A)^-1 f for f' = A f.
    """
    along, above, below = _through(mode, tau)
    one, other = mode._both(t)
    out = np.empty((len(t), 2))
    out[:, 0] = along * one + above * other
    out[:, 1] = below * one + along * other
    return out


def seen_at_start(mode: Mode, tau: float) -> tuple[Floats, Floats]:
    """(2,) what `seen_through` has at 0; (3, 2) value, slope and curvature there of the shapes."""
    along, _, below = _through(mode, tau)
    d, across = mode.d, mode.d**2 - mode.w2
    return np.array([along, below]), np.array([[1.0, 0.0], [-d, 1.0], [d**2 + across, -2.0 * d]])


@dataclass(frozen=True, slots=True)
class Poles:
    """What windows of rings have in common.

    slow        the slowest oscillation, or else the two slowest exponents
    fast        a quicker one beside it; None where it does not show above the noise
    noise       standard deviation of the samples' noise, in their unit
    """

    slow: Mode
    fast: Mode | None
    noise: float


def poles_of_rings(rings: list[Floats], rate_hz: float, below_hz: float) -> Poles | None:
    """Poles that many rings share, from the invariance of their signal subspace.

    rings     samples of each ring, its level at rest taken off, no gaps
    below_hz  the slow mode rings more slowly than this

    ESPRIT (Roy and Kailath 1989, from memory) on the covariance of all windows. None where there are
    too few samples.
    """
    lags = max(int(LAGS_S * rate_hz), 16)
    total, windows = np.zeros((lags, lags)), 0
    for ring in rings:
        if len(ring) >= lags + 4:
            views = np.lib.stride_tricks.sliding_window_view(ring, lags)
            total += views.T @ views
            windows += len(views)
    if not windows:
        return None
    value, vector = np.linalg.eigh(total / windows)
    noise2 = float(np.median(value[: lags // 2]))
    if noise2 <= 0.0:
        noise2 = 1e-12 * float(value[-1])
    order = int((value[-4:] > ABOVE_NOISE * noise2).sum())
    if order == 0:
        return None
    signal = vector[:, ::-1][:, : 4 if order == 4 else min(order, 2)]
    turn = np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)[0]
    z = np.linalg.eigvals(turn).astype(np.complex128)
    z = z[(np.abs(z) > 0.0) & (np.abs(z) < 1.0)]
    s = np.log(z) * rate_hz
    energy = _energies(z, rings, lags)
    # An offset of the level at rest looks like an exponent that hardly falls.
    kept = (s.real < -300.0) & (np.abs(s.imag) < 0.9 * np.pi * rate_hz)
    s, energy = s[kept], energy[kept]
    slow = _slow(s, energy, below_hz)
    if slow is None:
        return None
    quick = (s.imag > max(1.8e3 * np.sqrt(slow.w2), 2.0 * np.pi * below_hz)) & (-s.real < s.imag)
    fast = None
    if quick.any():
        best = s[quick][np.argmax(energy[quick])]
        fast = mode_of(float(best.imag) / (2.0 * np.pi), -float(best.real))
    return Poles(slow, fast, float(np.sqrt(noise2)))


def rest_of_rings(rings: list[Floats], rate_hz: float, below_hz: float) -> float | None:
    """The level that rings swing about, where none of them is seen to its end; None: they do not tell.

    The level goes out of differences over DIFFERENCE_S, in which the same modes ring; with the modes
    known it is linear.
    """
    lag = max(int(DIFFERENCE_S * rate_hz), 1)
    poles = poles_of_rings([r[lag:] - r[:-lag] for r in rings if len(r) > lag], rate_hz, below_hz)
    if poles is None or poles.slow.hz == 0.0:
        return None
    modes = [m for m in (poles.slow, poles.fast) if m is not None]
    found = []
    for ring in rings:
        if len(ring) < 0.6 / poles.slow.hz * rate_hz:  # less than this shows no swing
            continue
        t = np.arange(len(ring)) / rate_hz * 1e3
        columns = np.column_stack([*(m.shapes(t) for m in modes), np.ones(len(t))])
        found.append(float(np.linalg.lstsq(columns, ring, rcond=None)[0][-1]))
    return float(np.median(found)) if len(found) >= 3 else None


def _energies(z: NDArray[np.complex128], rings: list[Floats], lags: int) -> Floats:
    """Energy of each pole in the first window of the rings."""
    powers = z ** np.arange(lags)[:, None]
    heads = np.stack([ring[:lags] for ring in rings if len(ring) >= lags], axis=1)
    amplitude = np.linalg.lstsq(powers, heads.astype(np.complex128), rcond=None)[0]
    found: Floats = (np.abs(amplitude) ** 2).sum(axis=1) * (np.abs(powers) ** 2).sum(axis=0)
    return found


def _slow(s: NDArray[Any], energy: Floats, below_hz: float) -> Mode | None:
    """The slow mode: the strongest pair of poles below a frequency, or two real ones."""
    pairs = (s.imag > 1.0) & (s.imag < 2.0 * np.pi * below_hz)
    every = s.imag > 1.0
    if every.any() and (
        not pairs.any() or float(energy[pairs].max()) < LEAST_ENERGY * float(energy[every].max())
    ):
        pairs = every
    real = np.abs(s.imag) <= 1.0
    most = float(energy[pairs].max()) if pairs.any() else 0.0
    if pairs.any() and (not real.any() or 2.0 * most >= float(energy[real].max())):
        best = s[pairs][np.argmax(energy[pairs])]
        return mode_of(float(best.imag) / (2.0 * np.pi), -float(best.real))
    if not real.any():
        return None
    # Of two exponents the second is often not to be seen.
    order = np.argsort(-energy[real], kind="stable")
    one = -float(s.real[real][order[0]])
    two = -float(s.real[real][order[1]]) if len(order) > 1 else 3.0 * one
    return Mode(0.5e-3 * (one + two), 1e-6 * one * two)
