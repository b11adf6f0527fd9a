"""Touches that left no clear sign: left out only where they would spoil a mean they hardly scatter in."""

from __future__ import annotations

import numpy as np

from breakerbench.edges.vague import VAGUE, without_vague

WELL, ODD = 0.05, 1.2


def test_an_odd_one_among_touches_that_hardly_scatter_is_left_out() -> None:
    u = np.full(20, WELL)
    u[7] = ODD
    closed = 500.0 + np.tile([0.0, 0.1], 10)
    out = without_vague(u, closed, 1)
    assert np.flatnonzero(np.isnan(out)).tolist() == [7]
    assert np.isfinite(u).all()


def test_early_ones_stay_where_touches_scatter_more_than_they_are_vague() -> None:
    """The ring meets closed where a touch comes early: without these the mean is late."""
    rng = np.random.default_rng(1)
    scatter = rng.normal(0.0, 4.0, 400)
    u = np.where(scatter > 4.0, ODD, WELL)
    out = without_vague(u, 500.0 + scatter, 4)
    assert np.isfinite(out).all()
    left = scatter[u <= VAGUE].mean()
    assert abs(left) > 3.0 * abs(scatter.mean())


def test_where_most_are_vague_they_are_all_there_is() -> None:
    u = np.where(np.arange(30) % 3, ODD, WELL)
    assert np.isfinite(without_vague(u, np.full(30, 500.0), 1)).all()


def test_each_lobe_is_seen_by_itself() -> None:
    """Lobe 1 is always vague: it stays; of lobe 0 the odd one goes."""
    u = np.where(np.arange(40) % 2, ODD, WELL)
    u[4] = ODD
    out = without_vague(u, np.full(40, 500.0), 2)
    assert np.flatnonzero(np.isnan(out)).tolist() == [4]


def test_few_touches_are_no_crash() -> None:
    for n in range(3):
        assert len(without_vague(np.full(n, WELL), np.full(n, 500.0), 8)) == n
