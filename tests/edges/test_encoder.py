"""Numbering of encoder pulses against shafts in closed form: lost, split and misplaced pulses."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.edges.angle import Angle
from breakerbench.edges.index import IndexCleaner

TURN_S = 0.05
TURNS = 40


class Shaft:
    """Turns once in TURN_S, with a ripple: (order, share of the speed, phase)."""

    def __init__(self, *ripples: tuple[float, float, float]) -> None:
        self._t = np.linspace(0.0, TURNS * TURN_S, 400_001)
        deg = 360.0 * self._t / TURN_S
        self._deg = deg.copy()
        for order, share, phase in ripples:
            self._deg += np.rad2deg(share / order) * np.sin(np.deg2rad(order * deg) + phase)

    def time(self, deg: np.ndarray) -> np.ndarray:
        return np.interp(deg, self._deg, self._t)

    def deg(self, time_s: np.ndarray) -> np.ndarray:
        return np.interp(time_s, self._t, self._deg)


def followed(
    shaft: Shaft,
    keep: np.ndarray,
    index_s: np.ndarray | None = None,
    extra: np.ndarray | None = None,
    blocks: int = 1,
) -> tuple[Angle, np.ndarray, np.ndarray]:
    """The angle object, error (deg, from the index) and validity at many instants."""
    pulses = len(keep) // TURNS
    e = shaft.time(0.3 + np.arange(1, len(keep) - 1) * 360.0 / pulses)[keep[1:-1]]
    if extra is not None:
        e = np.sort(np.concatenate([e, extra]))
    index_s = shaft.time(np.arange(1, TURNS) * 360.0) if index_s is None else index_s
    opening = shaft.time(30.0 + np.arange(0, 4 * TURNS) * 90.0)
    angle = Angle(pulses, IndexCleaner(4))
    marks = np.linspace(0.0, TURNS * TURN_S, blocks + 1)
    for low, high in pairwise(marks):
        some = [x[(x > low) & (x <= high)] for x in (e, index_s, opening)]
        angle.add_encoder(some[0], np.ones(len(some[0]), bool))
        edges = np.stack([some[1], some[1] + 1e-4], axis=1).ravel()
        angle.add_index(edges, np.tile([True, False], len(some[1])))
        angle.add_openings(some[2], final=False)
    angle.add_openings(np.empty(0), final=True)
    t = np.linspace(1.2 * TURN_S, (TURNS - 1.2) * TURN_S, 20_000)
    found, valid = angle.at(t)
    error = found - shaft.deg(t)
    error -= np.median(error[valid])
    return angle, error, valid


def all_but(pulses: int, *lost: tuple[float, int]) -> np.ndarray:
    """Every pulse but ``n`` from (turn) on."""
    keep = np.ones(pulses * TURNS, bool)
    for turn, n in lost:
        at = round(turn * pulses)
        keep[at : at + n] = False
    return keep


@pytest.mark.parametrize("pulses", [60, 250, 500])
@pytest.mark.parametrize(
    "lost",
    [
        [(10.3, 19)],
        [(10.3, 19), (10.7, 13)],  # two in one revolution: their sum alone does not tell each
        [(10.1, 19), (10.5, 15), (10.8, 8)],
        [(9.9, 18)],  # the index falls into the gap
        [(9.9, 12), (10.5, 15), (11.95, 9)],
        [(10.4, 1), (10.6, 1)],
        [(38.5, 18), (38.9, 4)],
    ],
)
@pytest.mark.parametrize("order", [1, 3, 4])
def test_lost_pulses_never_shift_the_angle(
    pulses: int, lost: list[tuple[float, int]], order: int
) -> None:
    # The ripple makes the length of a gap a poor measure of the pulses lost in it.
    shaft = Shaft((order, 0.02, 1.0), (7.3, 0.01, 2.0))
    lost = [(turn, n * max(pulses // 60, 1) // 2 + 1) for turn, n in lost]
    _, error, valid = followed(shaft, all_but(pulses, *lost))
    assert np.abs(error[valid]).max() < 0.05 + 0.1 * (360.0 / pulses / 6.0)
    assert (~valid).sum() < 0.06 * len(valid)


def test_what_could_not_be_told_is_left_out_and_counted() -> None:
    shaft = Shaft((4, 0.03, 1.0))
    angle, error, valid = followed(shaft, all_but(250, (10.2, 40), (10.6, 45)))
    assert angle.encoder.refused == 1
    assert np.abs(error[valid]).max() < 0.05
    angle, error, valid = followed(shaft, all_but(250, (10.2, 40)))
    assert (angle.encoder.mended, angle.encoder.refused) == (1, 0)


@pytest.mark.parametrize("early_deg", [-2.9, -1.44, 1.44, 2.9])
def test_an_index_pulse_out_of_place_moves_nothing(early_deg: float) -> None:
    """The encoder is whole: one index pulse off by whole pulses of it must be the index's fault."""
    shaft = Shaft()
    deg = np.arange(1, TURNS) * 360.0
    deg[20] -= early_deg
    angle, error, valid = followed(shaft, all_but(250), index_s=shaft.time(deg))
    assert valid.all()
    assert np.abs(error).max() < 0.01
    assert angle.cleaner is not None
    # Either the openings or the encoder told.
    assert angle.encoder.index_off + angle.cleaner.report.spurious == 1
    assert (angle.encoder.mended, angle.encoder.refused) == (0, 0)


def test_a_pulse_too_many_is_thrown_out() -> None:
    shaft = Shaft((2, 0.02, 0.0))
    extra = shaft.time(np.array([12.0, 20.5]) * 360.0 + 0.9)
    _, error, valid = followed(shaft, all_but(250), extra=extra)
    assert np.abs(error[valid]).max() < 0.8  # beside the false edge itself
    assert (np.abs(error[valid]) > 0.05).mean() < 0.002


@given(st.integers(0, 1 << 30), st.sampled_from([60, 90, 250, 512]), st.integers(1, 8))
@settings(max_examples=60, deadline=None)
def test_bursts_at_random_never_shift_the_angle(seed: int, pulses: int, bursts: int) -> None:
    rng = np.random.default_rng(seed)
    shaft = Shaft(
        (int(rng.integers(1, 5)), rng.uniform(0, 0.02), rng.uniform(0, 6)),
        (rng.uniform(0.1, 9.0), rng.uniform(0, 0.01), rng.uniform(0, 6)),
    )
    most = max(2, min(60, pulses // 3))
    lost = [(rng.uniform(2, TURNS - 3), int(rng.integers(1, most))) for _ in range(bursts)]
    keep = all_but(pulses, *lost)
    _, error, valid = followed(shaft, keep)
    assert np.abs(error[valid]).max() < 0.3 * 360.0 / pulses
    _, again, valid_again = followed(shaft, keep, blocks=7)
    np.testing.assert_array_equal(valid, valid_again)
    np.testing.assert_array_equal(error[valid], again[valid])


def test_a_disc_that_is_uneven_just_at_the_index_is_followed() -> None:
    """One pulse out of place makes a short and a long span beside the index in every revolution."""
    shaft = Shaft()
    moved = shaft.time(np.arange(2, TURNS - 1) * 360.0 + 0.3 + 0.25)
    keep = all_but(500)
    keep[2 * 500 : (TURNS - 1) * 500 : 500] = False
    angle, error, valid = followed(shaft, keep, extra=moved)
    assert (angle.encoder.mended, angle.encoder.refused, angle.encoder.index_off) == (0, 0, 0)
    assert valid.mean() > 0.98
    assert np.abs(error[valid]).max() < 0.3
