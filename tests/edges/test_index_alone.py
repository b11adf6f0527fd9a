"""The angle from the index alone, against shafts in closed form: what is believed and what is not."""

from __future__ import annotations

import numpy as np

from breakerbench.edges.angle import Angle
from breakerbench.edges.index import IndexCleaner

TURNS = 60


def from_index(
    turn: np.ndarray, time_s: np.ndarray, move_deg: dict[int, float] | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(true revolutions, error in deg, valid) at many instants; index pulses moved as told."""
    at = np.arange(1, TURNS, dtype=float)
    for k, deg in (move_deg or {}).items():
        at[k - 1] += deg / 360.0
    angle = Angle(None, IndexCleaner(4))
    index_s = np.interp(at, turn, time_s)
    edges = np.stack([index_s, index_s + 1e-4], axis=1).ravel()
    angle.add_index(edges, np.tile([True, False], len(index_s)))
    angle.add_openings(np.interp(np.arange(0.1, TURNS - 0.1, 0.25), turn, time_s), final=True)
    true = np.linspace(3.0, TURNS - 3.0, 5000)
    found, valid = angle.at(np.interp(true, turn, time_s))
    error = found - 360.0 * true
    return true, error - np.median(error[valid]), valid


def test_one_index_pulse_out_of_place_is_left_out() -> None:
    turn = np.linspace(0.0, TURNS, 100_001)
    true, error, valid = from_index(turn, turn * 0.05, {30: 0.6})
    assert np.abs(error[valid]).max() < 0.06
    assert valid[np.abs(true - 30.0) > 3.0].all()


def test_a_step_of_the_speed_is_left_out() -> None:
    time_s = np.linspace(0.0, 6.0, 200_001)
    rpm = np.interp(time_s, [0.0, 2.0, 2.05, 4.0, 4.5, 6.0], [480, 480, 780, 780, 540, 540])
    turn = np.concatenate([[0.0], np.cumsum(rpm[1:] / 60.0 * np.diff(time_s))])
    _, error, valid = from_index(turn, time_s)
    assert np.abs(error[valid]).max() < 0.06
    assert valid.mean() > 0.75


def test_revolutions_of_a_drive_that_always_ripples_are_kept() -> None:
    time_s = np.linspace(0.0, 3.5, 200_001)
    hz, share = 7.1, 0.009
    turn = 18.55 * (time_s - share / (2 * np.pi * hz) * np.cos(2 * np.pi * hz * time_s))
    _, error, valid = from_index(turn, time_s)
    assert valid.mean() > 0.9
    assert np.abs(error[valid]).max() > 0.3, "such a ripple is beyond an index: U must hold it"
