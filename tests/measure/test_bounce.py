"""Bounce: medians, onset and where a sample is too coarse, from closings alone."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.events import Openings
from breakerbench.measure.bounce import Bounce, median_rank

LEAST_S, SAMPLE_S = 8e-6, 4e-6


def closings(rpm: np.ndarray, settle_deg: np.ndarray) -> Openings:
    """Dwells of 50 degrees, one after the other."""
    dwell_s = 50.0 / (6.0 * rpm)
    open_s = np.cumsum(2.0 * dwell_s)
    touch_s = open_s - dwell_s
    none = np.zeros(len(rpm))
    deg = 90.0 * np.arange(len(rpm))
    return Openings(
        time_s=open_s,
        touch_s=touch_s,
        open_deg=deg,
        touch_deg=deg - 50.0,
        u_open_s=none,
        u_touch_s=none,
        settled_s=touch_s + settle_deg / (6.0 * rpm),
        lost_s=none,
        valid=np.ones(len(rpm), bool),
    )


def test_median_between_ranks() -> None:
    """Ranks of the 95 % interval of a median as tables of it have them (from memory).

    n = 10: 2nd and 9th; 20: 6th and 15th; 50: 18th and 33rd; 100: 40th and 61st.
    """
    assert [median_rank(n) for n in (10, 20, 50, 100)] == [2, 6, 18, 40]
    assert median_rank(5) is None
    rng = np.random.default_rng(4)
    for n in (6, 13, 40, 401):
        values = np.sort(rng.exponential(1.0, (20_000, n)), axis=1)
        r = median_rank(n)
        assert r is not None
        inside = (values[:, r - 1] <= np.log(2.0)) & (np.log(2.0) <= values[:, n - r])
        assert inside.mean() > 0.95


def test_median_and_its_uncertainty() -> None:
    rng = np.random.default_rng(9)
    inside = 0
    for _ in range(300):
        n = int(rng.integers(20, 200))
        settle = rng.lognormal(0.0, 0.6, n)
        b = Bounce()
        b.add(closings(np.full(n, 1000.0), settle))
        found = b.figures(LEAST_S, SAMPLE_S)
        assert not isinstance(found, str)
        (row,) = found["by_speed"]
        assert row["settle_deg"] == pytest.approx(np.median(settle), rel=0.005)
        assert row["settle_s"] == pytest.approx(row["settle_deg"] / 6000.0, rel=0.006)
        inside += abs(row["settle_deg"] - 1.0) <= row["u_settle_deg"]
    assert inside >= 280  # of 300: 286 are 95.45 %; the interval is on the safe side


def late(bin_rpm: float, n: int, n_late: int) -> Openings:
    settle = np.where(np.arange(n) < n_late, 0.6, 0.2)
    return closings(np.full(n, bin_rpm), settle)


@pytest.mark.parametrize(
    ("bins", "onset"),
    [
        ([(500, 40, 0), (550, 40, 2), (600, 40, 2)], 525.0),
        ([(500, 40, 0), (550, 41, 2), (600, 40, 2)], 575.0),  # one late fewer than 5 % of 41
        ([(500, 40, 5), (550, 40, 0), (600, 40, 0)], None),  # the next bin does not agree
        ([(500, 19, 9), (550, 20, 1), (600, 20, 1)], 525.0),  # too few closings at 500
        ([(500, 40, 0), (1000, 40, 40)], 975.0),  # nothing after it that could disagree
        ([(500, 40, 0), (550, 40, 1)], None),
    ],
)
def test_onset_bin_by_bin(bins: list[tuple[float, int, int]], onset: float | None) -> None:
    b = Bounce(0.5)
    for rpm, n, n_late in bins:
        b.add(late(rpm, n, n_late))
    found = b.figures(LEAST_S, SAMPLE_S)
    assert not isinstance(found, str)
    assert found["onset_rpm"] == onset
    assert found["looked_to_rpm"] == pytest.approx(max(rpm for rpm, n, _ in bins if n >= 20))


def test_speeds_at_which_a_sample_is_too_coarse_are_left_out() -> None:
    b = Bounce(0.5)
    b.add(late(500.0, 40, 0))
    b.add(late(2000.0, 40, 40))
    found = b.figures(1e-4, 5e-5)  # 0.3 and 1.2 degrees
    assert not isinstance(found, str)
    assert [row["rpm"] for row in found["by_speed"]] == [pytest.approx(500.0)]
    assert (found["onset_rpm"], found["looked_to_rpm"]) == (None, pytest.approx(500.0))
    reason = b.figures(1e-3, 5e-4)
    assert isinstance(reason, str)
    assert reason.startswith("too coarse")
    few = Bounce().figures(LEAST_S, SAMPLE_S)
    assert isinstance(few, str)
    assert "closings" in few


def test_what_hides_bounce_widens_its_uncertainty() -> None:
    b = Bounce()
    b.add(closings(np.full(200, 1000.0), np.full(200, 1.0)))

    def u_deg(least_s: float, coil: bool = False) -> float:
        found = b.figures(least_s, SAMPLE_S, coil)
        assert not isinstance(found, str)
        return float(found["by_speed"][0]["u_settle_deg"])

    plain = u_deg(LEAST_S)
    assert plain < 0.03
    # a condenser: one and a half of the losses that leave no sign, 6 deg/ms, as a rectangle
    assert u_deg(20e-6) == pytest.approx(2.0 * 1.5 * 20e-6 * 6000.0 / np.sqrt(3.0), rel=0.05)
    assert u_deg(LEAST_S, coil=True) == pytest.approx(0.30, rel=0.05)
