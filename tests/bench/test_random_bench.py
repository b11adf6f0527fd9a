"""Named faults and conditions, the demo's distributor, and the random benches of the sweeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from breakerbench.bench import Bench, simulate
from breakerbench.bench.cam import cam_for
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.faults import CONDITIONS, FAULTS, LEVELS, apply, set_condition
from breakerbench.bench.random_bench import random_arm_bench, random_bench
from breakerbench.bench.scenario import after, before, healthy
from breakerbench.bench.sensors import disc
from breakerbench.errors import BadInput

SEEDS = range(300)
BENCHES = [random_bench(seed) for seed in SEEDS]

#: Limits of the specification's example in the design: dwell, spacing, interval, scatter, deg.
DWELL, SPACING, INTERVAL, SCATTER, VARIATION = (50.0, 58.0), 1.0, 1.5, 0.5, 2.0


#: Faults of cam, shaft and gap, and the limit that each breaks where it needs repair.
GEOMETRY = [
    ("points-gap-narrow", "dwell"),
    ("points-gap-wide", "dwell"),
    ("bushing-worn", "scatter"),
    ("shaft-bent", "spacing"),
    ("cam-uneven", "spacing"),
    ("lobe-worn", "spacing"),
]


def _breaks(bench: Bench) -> set[str]:
    """Which of the example's limits a distributor breaks, by its parameters."""
    truth = simulate(bench, 1).truth
    mean = truth["dwell"]["mean_deg"]
    broken = set()
    if truth["state"] != "opening and closing" or any(truth["missed"].values()):
        broken.add("missed")
    if mean is not None and not DWELL[0] <= mean <= DWELL[1]:
        broken.add("dwell")
    if (truth["dwell"]["variation_deg"] or 0.0) > VARIATION:
        broken.add("variation")
    errors = [abs(value) for value in truth["spacing"]["error_deg"] if value is not None]
    intervals = [abs(v) for v in truth["spacing"]["interval_error_deg"] if v is not None]
    if max(errors, default=0.0) > SPACING or max(intervals, default=0.0) > INTERVAL:
        broken.add("spacing")
    if (truth["scatter"]["deg"] or 0.0) > SCATTER:
        broken.add("scatter")
    return broken


def test_the_demo_is_out_of_its_limits_before_and_inside_them_after() -> None:
    assert _breaks(before()) == {"dwell", "scatter"}
    assert _breaks(after()) == set()
    assert _breaks(healthy()) == set()
    assert set(before().notes) == {
        "bushing-worn: needs repair",
        "points-gap-narrow: needs repair",
        "weights-sticking: needs repair",
    }


@pytest.mark.parametrize(("name", "breaks"), GEOMETRY)
def test_each_fault_breaks_its_own_limit_at_the_level_that_needs_repair(
    name: str, breaks: str
) -> None:
    assert _breaks(apply(healthy(), name, "slight")) == set()
    assert _breaks(apply(healthy(), name, "needs repair")) == {breaks}
    assert _breaks(apply(healthy(), name, "dead"))
    assert name in FAULTS


ARM_FAULTS = (
    "points-spring-weak",
    "points-bounce",
    "arm-sticking",
    "block-worn",
    "contact-missing",
)


@pytest.mark.parametrize(
    ("name", "breaks"),
    [
        ("points-spring-weak", {"bounce", "variation"}),
        ("points-bounce", {"bounce"}),
        ("arm-sticking", {"variation"}),
        ("block-worn", {"dwell"}),
        ("contact-missing", {"missed"}),
    ],
)
def test_faults_of_arm_and_contact_break_their_own_limits(name: str, breaks: set[str]) -> None:
    """Up to 2,500 rpm and held there; bounce below 1,500 rpm and any lobe missed in ten break."""
    up = Drive(((0.0, 300.0), (12.0, 2500.0), (14.0, 2500.0)))
    bench = replace(healthy(), drive=up)

    def broken(level: str) -> set[str]:
        truth = simulate(apply(bench, name, level), 1).truth
        found = {"dwell", "variation"} & _breaks(apply(bench, name, level))
        openings = truth["speed"]["revolutions"] * 4
        if sum(truth["missed"].values()) > 0.005 * openings:
            found.add("missed")
        onset = truth["bounce"]["onset_rpm"]
        if onset is not None and onset < 1500.0:
            found.add("bounce")
        return found

    assert broken("slight") == set()
    assert broken("needs repair") >= breaks
    assert broken("dead") >= breaks or "missed" in broken("dead")


def test_arms_of_random_benches_leave_the_rest_of_them_alone() -> None:
    onsets = []
    for seed in range(60):
        plain, armed = random_bench(seed), random_arm_bench(seed)
        assert armed.arm is not None
        assert replace(armed, arm=None) == plain
        slow, *_, fast = (rpm for _, rpm in random_arm_bench(seed, sweep=True).drive.points)
        assert fast / slow == pytest.approx(3.2)
        truth = simulate(replace(armed, drive=steady(900.0, 1.0)), seed).truth
        onsets.append(truth["bounce"]["onset_rpm"])
    assert any(onset is None for onset in onsets)
    assert any(onset is not None for onset in onsets)


@pytest.mark.parametrize("lobes", [2, 3, 6, 8, 12])
@pytest.mark.parametrize("name", [name for name, _ in GEOMETRY])
def test_faults_grow_with_their_level_on_any_cam(name: str, lobes: int) -> None:
    bench = Bench(cam=cam_for(lobes, 0.6 * 360.0 / lobes, 0.4), drive=steady(1000.0, 1.0))
    sizes = []
    for level in LEVELS[:2]:
        truth = simulate(apply(bench, name, level), 1).truth
        away = abs(truth["dwell"]["mean_deg"] - 0.6 * 360.0 / lobes)
        worst = max(abs(error) for error in truth["spacing"]["error_deg"])
        sizes.append(away + worst + truth["scatter"]["deg"])
    assert sizes[1] > 2.0 * sizes[0] > 0.0
    dead = simulate(apply(bench, name, "dead"), 1)
    assert sum(1 for _ in dead) > 0


def test_a_dead_gap_never_opens_or_never_closes() -> None:
    narrow = simulate(apply(healthy(), "points-gap-narrow", "dead"), 1).truth
    wide = simulate(apply(healthy(), "points-gap-wide", "dead"), 1).truth
    assert narrow["state"] == "always closed"
    assert wide["state"] == "always open"
    assert narrow["dwell"]["mean_deg"] is None


@pytest.mark.parametrize("level", ["needs repair", "needs-repair", "needs_repair"])
def test_levels_may_be_written_with_hyphens(level: str) -> None:
    assert apply(healthy(), "cam-uneven", level) == apply(healthy(), "cam-uneven", "needs repair")


@pytest.mark.parametrize(
    ("name", "level", "words"),
    [
        ("no-such", "slight", "points-gap-narrow"),
        ("cam-uneven", "awful", "needs repair"),
    ],
)
def test_what_does_not_exist_is_refused_with_what_does(name: str, level: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        apply(healthy(), name, level)


def test_a_single_lobe_has_no_spacing_to_be_uneven() -> None:
    with pytest.raises(BadInput, match="one lobe"):
        apply(Bench(cam=cam_for(1, 200.0, 0.4)), "cam-uneven", "slight")


@pytest.mark.parametrize("name", CONDITIONS)
def test_a_condition_is_no_fault_of_the_distributor(name: str) -> None:
    bench = set_condition(healthy(), name)
    assert bench != healthy()
    assert (bench.cam, bench.shaft, bench.weights) == (
        healthy().cam,
        healthy().shaft,
        healthy().weights,
    )
    assert bench.notes == (name,)
    simulated = simulate(bench, 1)
    assert sum(1 for _ in simulated) > 0
    assert _breaks(bench) == set()


def test_a_condition_that_does_not_exist_is_refused() -> None:
    with pytest.raises(BadInput, match="rolling-start"):
        set_condition(healthy(), "moonlight")


def test_random_benches_cover_their_ranges() -> None:
    assert {bench.cam.lobes for bench in BENCHES} == set(range(1, 13))
    for values, low, high in (
        ([bench.drive.points[0][1] for bench in BENCHES], 148.0, 2526.0),
        ([bench.converter.sample_rate_hz for bench in BENCHES], 20e3, 250e3),
        ([bench.shaft.scatter_deg for bench in BENCHES], 0.03, 0.4),
        ([bench.cam.dwell_deg() / bench.cam.pitch_deg for bench in BENCHES], 0.45, 0.8),
    ):
        assert low <= min(values) < low + 0.1 * (high - low)
        assert high - 0.1 * (high - low) < max(values) <= high
    for share in (
        np.mean([bench.feed.positive_ground for bench in BENCHES]),
        np.mean([bench.feed.volts < 9.0 for bench in BENCHES]),
        np.mean([bench.encoder is not None for bench in BENCHES]),
    ):
        assert 0.4 < share < 0.6
    for bench in BENCHES:
        assert bool(bench.drive.ripples) == (bench.encoder is not None)
        assert bench.current_range_a is not None
        assert bench.feed.closed_a < bench.current_range_a


def test_errors_come_from_the_distribution_that_the_header_states() -> None:
    lags = np.array([bench.points.closing_lag_s / bench.points.u_delay_s for bench in BENCHES])
    assert np.sqrt(np.mean(lags**2)) == pytest.approx(1.0, abs=4 / np.sqrt(2 * lags.size))
    assert np.mean(lags) == pytest.approx(0.0, abs=4 / np.sqrt(lags.size))
    places = []
    for seed, bench in zip(SEEDS, BENCHES, strict=True):
        if bench.encoder:
            place, _ = disc(bench.encoder, seed)
            even = bench.encoder.first_deg + 360.0 / place.size * np.arange(place.size)
            # one edge of each disc
            places.append((place - even)[seed % place.size] / bench.encoder.stated_deg)
    assert np.sqrt(np.mean(np.square(places))) == pytest.approx(
        1.0, abs=4 / np.sqrt(2 * len(places))
    )


def test_lobe_1_is_never_in_doubt() -> None:
    for seed, bench in zip(SEEDS[:60], BENCHES, strict=False):
        truth = simulate(bench, seed).truth
        assert truth["nominal_deg"] == pytest.approx(bench.cam.openings_deg.tolist())
        assert 3.0 < truth["first_opening_deg"] < bench.cam.pitch_deg - 3.0


def test_what_is_fixed_is_fixed_and_the_rest_stays() -> None:
    free = random_bench(5)
    fixed = random_bench(5, sample_rate_hz=250e3, noise_counts=4.0)
    assert fixed.converter.sample_rate_hz == 250e3
    assert fixed.converter.noise_counts == 4.0
    assert (fixed.cam, fixed.shaft, fixed.drive, fixed.feed) == (
        free.cam,
        free.shaft,
        free.drive,
        free.feed,
    )
    assert random_bench(5) == free
    assert random_bench(6) != free
    both = random_bench(5, encoder=True), random_bench(5, encoder=False)
    assert both[0].encoder is not None
    assert both[1].encoder is None
    assert random_bench(5, encoder=False, ripple_share=0.01).drive.ripples
    with pytest.raises(TypeError, match="colour"):
        random_bench(5, colour="red")
