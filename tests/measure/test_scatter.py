"""Scatter from windows of revolutions against the standard deviations that were drawn."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.events import Instrument
from breakerbench.measure.scatter import Windows, foretold, scatter_figures

ENCODER = Instrument(index_only=False)
INDEX = Instrument(index_only=True)


def windows(
    rng: np.random.Generator,
    turns: int,
    lobes: int = 4,
    own: float = 0.05,
    shared: float = 0.0,
    trend: float = 0.0,
    rpm: float | np.ndarray = 1000.0,
) -> Windows:
    """own: each opening and touch alone; shared: all of a revolution; trend: deg over the run."""
    both = rng.normal(0, shared, (turns, 1)) + trend * np.linspace(0, 1, turns)[:, None] ** 2
    opening = both + rng.normal(0, own, (turns, lobes)) + np.linspace(0, 1, lobes)
    touch = both + rng.normal(0, own, (turns, lobes))
    speed = np.broadcast_to(np.asarray(rpm, float), turns)
    w = Windows(lobes)
    w.add(np.arange(turns), np.column_stack([speed, np.zeros(turns), opening, touch]))
    w.close()
    return w


@pytest.mark.parametrize("lobes", [1, 2, 6])
@pytest.mark.parametrize("trend", [0.0, 0.6])
@pytest.mark.parametrize("shared", [0.0, 0.1])
def test_scatter_is_what_was_drawn_and_u_holds_it(lobes: int, trend: float, shared: float) -> None:
    rng = np.random.default_rng(5)
    true = float(np.hypot(0.05, shared))
    inside, values = 0, []
    for _ in range(200):
        w = windows(rng, 70, lobes, shared=shared, trend=trend)
        got = scatter_figures(w, ENCODER)
        assert isinstance(got, dict)
        values.append(got["deg"])
        inside += abs(got["deg"] - true) <= got["u_deg"]
    assert np.mean(values) == pytest.approx(true, rel=0.03)
    assert inside >= 180  # of an expected 191


def test_a_trend_that_is_not_there_costs_no_degrees_of_freedom() -> None:
    """20 revolutions that differ as a whole: the plain standard deviation is the best there is."""
    rng = np.random.default_rng(6)
    w = windows(rng, 20, own=1e-4, shared=0.1)
    got = scatter_figures(w, ENCODER)
    assert isinstance(got, dict)
    plain = float(np.sqrt(w.steady.flat / w.steady.flat_dof / 4))
    assert got["deg"] == pytest.approx(plain, rel=1e-3)


def test_what_the_events_beside_an_opening_share_is_foretold() -> None:
    rng = np.random.default_rng(7)
    alone = windows(rng, 200, own=0.05)
    assert np.sqrt(foretold([alone.steady])) < 0.02
    together = windows(rng, 200, own=0.05, shared=0.2)
    assert np.sqrt(foretold([together.steady])) == pytest.approx(0.2, rel=0.15)
    got = scatter_figures(together, INDEX)
    assert isinstance(got, dict)
    # The drive or the shaft: either may be, so both lie inside U.
    assert got["deg"] - got["u_deg"] < 0.05
    assert got["deg"] + got["u_deg"] > 0.2
    assert np.isnan(foretold([windows(rng, 6).steady]))


def test_windows_made_rough_by_a_change_of_speed_do_not_count() -> None:
    rng = np.random.default_rng(8)
    w = windows(rng, 128)
    speed = np.linspace(500, 900, 32)
    rough = rng.normal(0, 0.5, (32, 8))
    w.add(np.arange(500, 532), np.column_stack([speed, np.zeros(32), rough]))
    w.close()
    got = scatter_figures(w, ENCODER)
    assert isinstance(got, dict)
    assert got["deg"] == pytest.approx(0.05, rel=0.1)
    quiet = windows(rng, 64, rpm=np.linspace(500, 900, 64))
    got = scatter_figures(quiet, ENCODER)
    assert isinstance(got, dict)
    assert got["deg"] == pytest.approx(0.05, rel=0.15)
