"""A second set of points on the simulated bench: closed where either is, and the truth of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from breakerbench.bench.arm_for import arm_for
from breakerbench.bench.cam import cam_for
from breakerbench.bench.contact import Contact, Turning
from breakerbench.bench.drive import Drive, Ripple
from breakerbench.bench.model import Bench
from breakerbench.bench.second import both as join
from breakerbench.bench.second import second_for
from breakerbench.bench.settling import Trains
from breakerbench.bench.simulated import Simulated, simulate


def bench(lobes: int, dwell: float, after: float, own: float, **more: object) -> Bench:
    cam = cam_for(lobes, dwell, 0.4)
    drive = Drive(((0.0, 500.0), (1.2, 500.0)), (Ripple(0.01, 1.0, 20.0),))
    second = second_for(cam, after, own)
    return replace(Bench(cam=cam, drive=drive, second=second), **more)


def state(contact: Contact, at: NDArray[np.float64]) -> NDArray[np.bool_]:
    closed = np.concatenate(([contact.closed_at_start], contact.closed))
    return np.asarray(closed[np.searchsorted(contact.time_s, at, side="right")])


def each(the: Bench, seed: int = 4) -> tuple[Simulated, Simulated, Simulated]:
    first, second, both = (
        simulate(replace(the, points_set=part), seed) for part in ("first", "second", "both")
    )
    return first, second, both


CASES = [
    (8, 27.0, 6.0, 28.0),
    (4, 50.0, -5.0, 55.0),
    (4, 33.0, 45.0, 34.0),
    (4, 40.0, 45.3, 44.0),
    (3, 40.0, 62.0, 50.0),
    (1, 150.0, 180.0, 160.0),
    (6, 40.0, 30.0, 40.0),  # alternating, closed for more than half: never open together
]


@pytest.mark.parametrize("case", CASES)
def test_together_the_contact_is_closed_where_either_is(
    case: tuple[int, float, float, float],
) -> None:
    first, second, both = each(bench(*case))
    at = np.random.default_rng(1).uniform(0.0, 1.2, 20_000)
    either = state(first.contact, at) | state(second.contact, at)
    assert (state(both.contact, at) == either).all()
    # and the sets differ, in place and in chance
    assert not np.array_equal(first.contact.time_s, second.contact.time_s)


@pytest.mark.parametrize("case", CASES[:6])
def test_truth(case: tuple[int, float, float, float]) -> None:
    lobes, dwell, after, own = case
    first, second, both = each(bench(*case))
    assert first.truth["dwell"]["mean_deg"] == pytest.approx(dwell)
    assert second.truth["dwell"]["mean_deg"] == pytest.approx(own)
    sets = both.truth["sets"]
    alternating = abs(after) > 90.0 / lobes
    assert sets["arrangement"] == ("alternating" if alternating else "overlapping")
    assert sets["mean_after_deg"] == pytest.approx(after)
    assert (sets["first_dwell_deg"], sets["second_dwell_deg"]) == pytest.approx((dwell, own))
    opens = [one.truth["first_opening_deg"] for one in (first, second)]
    assert (opens[1] - opens[0] - after) % (360.0 / lobes) == pytest.approx(0.0, abs=1e-6)
    whole = both.truth["dwell"]
    if alternating:
        assert len(whole["per_lobe_deg"]) == 2 * lobes
        assert sorted(set(np.round(whole["per_lobe_deg"], 6))) == pytest.approx([dwell, own])
        assert whole["percent"] == pytest.approx((dwell + own) / 2 / 180.0 * lobes * 100.0)
    else:
        assert len(whole["per_lobe_deg"]) == lobes
        begin, end = min(-dwell, after - own), max(0.0, after)
        assert whole["mean_deg"] == pytest.approx(end - begin)
    assert both.truth["missed"] == {"openings": 0, "closings": 0}


def test_the_first_alone_is_as_without_a_second() -> None:
    the = bench(4, 50.0, 6.0, 50.0, points_set="first")
    alone = replace(the, second=None)
    blocks = [
        [event.samples[0] for event in simulate(one, 9) if hasattr(event, "samples")]
        for one in (the, alone)
    ]
    assert all(np.array_equal(a, b) for a, b in zip(*blocks, strict=True))


def test_never_open_together() -> None:
    *_, both = each(bench(*CASES[6]))
    assert both.truth["state"] == "always closed"
    assert both.truth["dwell"]["mean_deg"] is None


def test_what_is_not_simulated_is_refused() -> None:
    with pytest.raises(ValueError, match="one set"):
        Bench(points_set="second")
    with pytest.raises(ValueError, match="points_set"):
        Bench(points_set="third")
    the = bench(4, 50.0, 6.0, 50.0, points_set="both")
    with pytest.raises(ValueError, match="no gap gives"):
        bench(4, 50.0, 6.0, 89.99 + 1.0)
    floating = replace(the, arm=arm_for(the.cam, 150.0, None))
    with pytest.raises(ValueError, match="misses a closing"):
        simulate(floating, 1)


@pytest.mark.parametrize("case", CASES[:4])
def test_bounce_shows_while_the_other_is_open(case: tuple[int, float, float, float]) -> None:
    the = bench(*case)
    first, second, both = each(replace(the, arm=arm_for(the.cam, 6000.0, 300.0)))
    for one in (first, second, both):
        assert one.turning.trains.closing.size > 20
    at = np.random.default_rng(2).uniform(0.0, 1.2, 100_000)
    either = state(first.contact, at) | state(second.contact, at)
    assert np.mean(state(both.contact, at) != either) < 1e-4
    times = np.concatenate([first.contact.time_s, second.contact.time_s])
    assert np.isin(both.contact.time_s, times).all()
    # bounces of the one that touches last are hidden
    assert (
        both.turning.trains.closing.size
        < sum(one.turning.trains.closing.size for one in (first, second))
        or abs(case[2]) > 90.0 / case[0]
    )
    assert both.truth["bounce"] == both.truth["realized"]["bounce"]


def test_a_bounce_ends_where_the_other_set_touches() -> None:
    def turning(opens: float, closes: float, *bounces: tuple[float, float]) -> Turning:
        edges = [np.array([[value]]) for value in (opens, closes)]
        lost, back = np.array(bounces).reshape(-1, 2).T
        trains = Trains(np.zeros(len(bounces), np.int64), lost, back)
        return Turning(0, *edges, *edges, *edges, np.zeros((1, 1)), np.ones((1, 1)), trains)

    first = turning(0.0, 1.0, (1.05, 1.08), (1.1, 1.3), (1.4, 1.5))
    found = join(first, turning(0.2, 1.2, (1.25, 1.28)), alternating=False)
    assert (found.open_s.item(), found.close_s.item()) == (0.2, 1.0)
    assert found.trains.lost_s.tolist() == [1.05, 1.1]
    assert found.trains.back_s.tolist() == [1.08, 1.2]
