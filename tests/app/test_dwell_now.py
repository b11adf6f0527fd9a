"""The dwell while the gap is set: when it has settled, and what is said of it then."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.moments import now, specification
from breakerbench.app.dwell_now import NEAR_DEG, OLD_S, SETTLED_S, DwellNow, DwellWatch
from breakerbench.judge.specification import Specification
from breakerbench.papers.words import Shown
from breakerbench.result.live import Live

#: Four lobes: dwell 49.5 to 58.5 deg, 52.2 aimed at; a millimetre wider takes 50 deg off.
SPEC = specification(4, "[gap]\nnominal_mm = 0.635\ndwell_change_deg_per_mm = -50.0\n")
AIM = 0.58 * 90.0


def at(dwell_deg: float, **other: object) -> Live:
    return now(dwell_deg=dwell_deg, **other)


def percent(dwell: float) -> Live:
    return now(dwell_deg=None, dwell_percent=dwell)


def fed(
    watch: DwellWatch, dwells: list[float], rate_hz: float = 30.0, begin_s: float = 0.0
) -> list[DwellNow]:
    return [watch.add(begin_s + n / rate_hz, at(d)) for n, d in enumerate(dwells)]


def watching(spec: Specification | None = SPEC, gap: str = "mm") -> DwellWatch:
    return DwellWatch(spec, Shown(gap=gap))


@given(st.integers(0, 10_000), st.floats(20.0, 70.0), st.floats(0.0, 0.35))
def test_a_steady_dwell_settles_whatever_its_scatter(
    seed: int, dwell: float, scatter: float
) -> None:
    rng = np.random.default_rng(seed)
    readings = (dwell + rng.normal(0.0, scatter, 90)).tolist()
    said = fed(watching(), readings)
    assert all(one.mean is None for one in said[: int(0.8 * SETTLED_S * 30)])
    last = said[-1]
    assert last.mean is not None
    assert last.mean == pytest.approx(np.mean(readings[-48:]), abs=0.02 + scatter / 5)
    assert last.spread == pytest.approx(np.ptp(readings[-49:]))
    assert last.dwell == readings[-1]


@given(st.sampled_from([-1.0, 1.0]), st.floats(0.8, 20.0), st.floats(0.0, 0.1))
def test_it_does_not_settle_while_it_moves(way: float, deg_per_s: float, scatter: float) -> None:
    rng = np.random.default_rng(1)
    moving = 55.0 + way * deg_per_s * np.arange(90) / 30.0 + rng.normal(0.0, scatter, 90)
    watch = watching()
    assert all(one.mean is None and one.turn is None for one in fed(watch, moving.tolist()))
    assert watch.settled is None
    # It settles where it comes to stand, and is near to that from the first.
    end = float(55.0 + way * deg_per_s * 89 / 30.0)
    means = [one.mean for one in fed(watch, [end] * 90, begin_s=3.0) if one.mean is not None]
    assert 30 < len(means) < 90
    assert means[0] == pytest.approx(end, abs=0.5)
    assert means[-1] == pytest.approx(end)


def test_a_worn_bushing_lets_it_wander_too_far() -> None:
    wanders = (52.0 + 4.0 * np.sin(np.arange(200))).tolist()
    assert all(one.mean is None for one in fed(watching(), wanders))


def test_one_look_drawn_twice_is_one_reading() -> None:
    watch = watching()
    said = [watch.add(0.1 * (n // 100), at(52.0)) for n in range(500)]
    assert all(one.mean is None for one in said)


@pytest.mark.parametrize(
    "gone", [{"dwell_deg": None}, {"stale_s": 1.01 * OLD_S}, {"first_look": True}]
)
def test_what_is_gone_old_or_a_first_look_settles_nothing(gone: dict[str, object]) -> None:
    watch = watching()
    assert fed(watch, [52.0] * 60)[-1].mean is not None
    first = gone.get("first_look")
    told = watch.add(2.1, now(**({"dwell_deg": 52.0} | gone)))
    assert (told.mean, told.turn, told.dwell) == (None, None, 52.0 if first else None)
    assert fed(watch, [52.0] * 20, begin_s=2.2)[-1].mean is None  # it begins anew
    assert watch.settled == pytest.approx(52.0)  # what it was is still known


def test_the_screw_was_turned() -> None:
    watch = watching()
    assert fed(watch, [52.0] * 60)[-1].mean is not None
    watch.clear()
    assert watch.add(2.1, at(52.0)).mean is None


# --- which way and how far


@pytest.mark.parametrize(
    ("dwell", "gap", "words"),
    [
        (AIM + 5.0, "mm", "about 0.10 mm (0.004 inch) wider"),
        (AIM - 5.0, "mm", "about 0.10 mm (0.004 inch) closer"),
        (AIM - 5.0, "inch", "about 4 thousandths of an inch (0.10 mm) closer"),
        (AIM + 0.9 * NEAR_DEG, "mm", None),
        (AIM, "mm", None),
    ],
)
def test_how_far_to_turn(dwell: float, gap: str, words: str | None) -> None:
    said = fed(watching(gap=gap), [dwell] * 60)
    assert said[-1].turn == words
    assert [one.turn for one in said if one.mean is None] == [None] * 41


def test_how_far_is_not_said_where_it_is_not_stated() -> None:
    last = fed(watching(specification()), [AIM + 5.0] * 60)[-1]
    assert last.turn == "a little wider (how much is not stated: [gap] dwell_change_deg_per_mm)"
    nothing = fed(watching(None), [AIM + 5.0] * 60)[-1]
    assert (nothing.turn, nothing.low, nothing.high, nothing.aim) == (None, None, None, None)
    assert nothing.mean == pytest.approx(AIM + 5.0)


def test_percent_where_there_are_no_degrees() -> None:
    watch = watching()
    said = [watch.add(n / 30.0, percent(65.0 + 0.05 * (n % 3))) for n in range(60)]
    last = said[-1]
    assert (last.unit, watch.unit) == ("%", "%")
    assert last.mean == pytest.approx(65.05, abs=0.01)
    assert (last.low, last.high, last.aim) == pytest.approx((55.0, 65.0, 58.0))
    # 7.05 % of 90 deg are 6.3 deg, at 50 deg a millimetre.
    assert last.turn == "about 0.13 mm (0.005 inch) wider"
    assert not last.inside
    # Nothing to read for a moment is no change of unit; what had settled is still known.
    assert watch.add(2.1, now(dwell_deg=None)).unit == "%"
    assert watch.settled == pytest.approx(65.05, abs=0.01)
    # An index is plugged in: degrees from now on, and what had settled was in percent.
    told = watch.add(2.2, at(58.0))
    assert (told.unit, told.mean, watch.settled) == ("deg", None, None)
    assert told.low == pytest.approx(49.5)


def test_percent_moves_by_its_own_measure() -> None:
    """0.4 deg of a pitch of 90 are 0.44 %: half a percent a second is no standing still."""
    watch = watching()
    slow = [watch.add(n / 30.0, percent(60.0 + 0.2 * n / 30.0)) for n in range(90)]
    assert slow[-1].mean is not None
    watch.clear()
    fast = [watch.add(4.0 + n / 30.0, percent(60.0 + 0.7 * n / 30.0)) for n in range(90)]
    assert all(one.mean is None for one in fast)


@pytest.mark.parametrize(
    ("dwell", "inside"), [(49.4, False), (49.6, True), (58.4, True), (58.6, False)]
)
def test_inside_the_limits(dwell: float, inside: bool) -> None:
    said = fed(watching(), [dwell] * 60)
    assert said[-1].inside is inside
    assert not said[10].inside  # not settled: nothing is said


def test_inside_one_limit_alone() -> None:
    assert DwellNow(mean=50.0, low=49.0).inside
    assert not DwellNow(mean=50.0, low=51.0).inside
    assert not DwellNow(mean=50.0, high=49.0).inside
    assert DwellNow(mean=50.0).inside
    assert not DwellNow(dwell=50.0, low=49.0, high=51.0).inside
