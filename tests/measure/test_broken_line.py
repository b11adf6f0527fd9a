"""The broken line against scipy's least_squares and against pwlf, independent libraries."""

from __future__ import annotations

import numpy as np
import pwlf
import pytest
from scipy.optimize import least_squares

from breakerbench.measure.broken_line import broken_line
from breakerbench.measure.fit import FitError


def curve(x: np.ndarray, level: float, bends: np.ndarray, breaks: np.ndarray) -> np.ndarray:
    return level + np.maximum(x[:, None] - breaks, 0.0) @ bends


def drawn(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(250.0, 2200.0, 200))
    breaks = np.array([500.0, 1000.0, 1700.0]) + rng.uniform(-100, 100, 3)
    bends = np.array([0.015, -0.009, -0.006]) * rng.uniform(0.9, 1.1, 3)
    u = rng.uniform(0.02, 0.06, len(x))
    return x, curve(x, -3.0, bends, breaks) + u * rng.standard_normal(len(x)), u, bends, breaks


@pytest.mark.parametrize("seed", range(8))
def test_minimum_and_covariance_are_those_of_scipy(seed: int) -> None:
    x, y, u, bends, breaks = drawn(seed)
    line = broken_line(x, y, u, 0.05)
    assert len(line.breaks) == 3
    other = least_squares(
        lambda p: (curve(x, p[0], p[1:4], p[4:]) - y) / u,
        np.concatenate([[-3.0], bends, breaks]),
        x_scale=np.array([1.0, 0.01, 0.01, 0.01, 100.0, 100.0, 100.0]),
        ftol=1e-15,
        xtol=1e-15,
        gtol=1e-15,
    )
    ours = float(np.sum(((line.at(x) - y) / u) ** 2))
    assert ours == pytest.approx(2.0 * other.cost, rel=1e-6)
    assert line.breaks == pytest.approx(other.x[4:], abs=0.05)
    assert line.bends == pytest.approx(other.x[1:4], abs=2e-6)
    covariance = np.linalg.inv(other.jac.T @ other.jac)
    assert line.fit.u == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_pwlf_finds_the_same_breaks(seed: int) -> None:
    """The library pwlf, whose first piece is not held flat: the same to within the uncertainties."""
    x, y, u, _, breaks = drawn(seed)
    line = broken_line(x, y, u, 0.05)
    other = pwlf.PiecewiseLinFit(x, y, weights=1.0 / u)
    found = other.fit_guess(breaks)[1:-1]
    assert len(found) == len(line.breaks)
    for k, place in enumerate(found):
        assert abs(line.breaks[k] - place) <= 2.0 * line.u(4 + k)
    grid = np.linspace(x[0], x[-1], 400)
    assert np.abs(line.at(grid) - other.predict(grid)).max() < 0.03


def test_breaks_that_the_points_do_not_determine_are_not_fitted() -> None:
    """Few speeds far apart: two breaks in one gap could slide along without leaving a point."""
    rng = np.random.default_rng(3)
    x = np.sort(np.concatenate([c + rng.normal(0, 3.0, 6) for c in (340, 490, 1216, 1470, 1550)]))
    y = np.interp(x, [0.0, 668.0, 1082.0, 1650.0], [0.0, 0.0, 7.7, 9.9])
    line = broken_line(x, y + 0.01 * rng.standard_normal(len(x)), np.full(len(x), 0.01), 0.05)
    between = np.searchsorted(x, line.breaks, side="right")
    assert len(line.breaks)
    assert np.all(np.diff(np.append(between, len(x))) >= 2)
    assert all(np.isfinite(line.u_slope(k)) for k in range(len(line.breaks)))


def test_the_uncertainties_hold_the_truth() -> None:
    inside = []
    for seed in range(100, 200):
        x, y, u, bends, breaks = drawn(seed)
        line = broken_line(x, y, u, 0.05)
        assert len(line.breaks) == 3
        truth = np.concatenate([[-3.0], bends, breaks])
        ours = np.concatenate([[line.level], line.bends, line.breaks])
        inside += [abs(ours[k] - truth[k]) <= 2.0 * line.u(k) for k in range(7)]
    # 700 of 95.45 %, correlated in sevens: four standard deviations below at most.
    assert 0.91 < np.mean(inside) < 0.99


def test_level_alone_and_slope_from_the_first_point() -> None:
    x = np.linspace(300.0, 900.0, 40)
    u = np.full(40, 0.02)
    assert not len(broken_line(x, np.full(40, 7.0), u, 0.05).breaks)
    sloped = broken_line(x, 0.01 * x, u, 0.05)
    assert sloped.breaks == pytest.approx([300.0], abs=10.0)
    assert sloped.at(x) == pytest.approx(0.01 * x, abs=1e-3)


def test_a_bend_that_hardly_moves_the_line_is_none() -> None:
    x = np.linspace(300.0, 900.0, 400)
    y = 0.0001 * np.maximum(x - 600.0, 0.0)  # 0.03 in all
    assert not len(broken_line(x, y, np.full(400, 1e-4), 0.05).breaks)
    assert len(broken_line(x, y, np.full(400, 1e-4), 0.002).breaks) == 1


def test_too_few_points_are_said() -> None:
    with pytest.raises(FitError):
        broken_line(np.array([1.0, 2.0]), np.zeros(2), np.ones(2), 0.05)
