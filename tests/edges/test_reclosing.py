"""Re-closings of a bounce against closed-form waveforms (``waves``)."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.contact import AGAIN
from breakerbench.edges.reclosing import place_reclosings
from breakerbench.edges.shapes import LN2, Response

from .waves import Wave

OPEN = 1000.0


def _errors(tau: float, lost: float, noise: float, assumed: float | None = None) -> np.ndarray:
    """Errors, samples, of 200 losses of contact of so many samples, anywhere between two samples."""
    rng = np.random.default_rng(7)
    errors = []
    for _ in range(200):
        touch = 40.0 + rng.uniform()
        back = touch + 12.0 + lost
        wave = (
            Wave(tau).level(0.0, OPEN).level(touch, 0.0).level(touch + 12.0, OPEN).level(back, 0.0)
        )
        clean = wave.at(np.arange(back + 30.0))
        v = clean + noise * rng.standard_normal(len(clean))
        out = np.abs(v) > 0.125 * OPEN
        at = int(np.flatnonzero(out)[-1]) + 1
        leave = at - int(np.argmin(out[at - 1 :: -1]))
        w = v[at - AGAIN + 1 : at + 1].copy()
        w[np.arange(at - AGAIN + 1, at + 1) < leave] = 0.0
        r = Response(assumed or tau, open_level=OPEN)
        found = place_reclosings(np.array([at]), w[None], np.array([max(noise, 1e-3)]), r)[0]
        errors.append(found - back - tau * LN2)
    return np.array(errors)


@pytest.mark.parametrize("tau", [0.5, 0.8, 1.33, 2.0])
@pytest.mark.parametrize("lost", [1.5, 2.5, 4.0, 8.0, 60.0])
def test_a_front_end_that_is_seen_places_them(tau: float, lost: float) -> None:
    clean = _errors(tau, lost, 0.0)
    # exact, but for those that turn within a twentieth before a sample
    assert np.abs(clean).max() < 0.055
    assert np.median(np.abs(clean)) < 1e-9
    noisy = _errors(tau, lost, 3.0)
    assert abs(noisy.mean()) < 0.02
    assert noisy.std() < 0.1


def test_a_time_constant_not_quite_known_moves_them_little() -> None:
    for assumed in (0.95 * 1.33, 1.05 * 1.33):
        assert np.abs(_errors(1.33, 20.0, 1.0, assumed)).max() < 0.1


@pytest.mark.parametrize("lost", [3.0, 20.0])
def test_a_front_end_too_fast_to_be_seen_leaves_the_middle_between_samples(lost: float) -> None:
    errors = _errors(0.05, lost, 1.0)
    assert np.abs(errors).max() < 0.75
    assert abs(errors.mean()) < 0.1
