"""The cam under weights, plate and hand against fine steps of time and the law of the lift."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.bench import Bench, Simulated, simulate
from breakerbench.bench.cam import Cam, cam_for, mirrored
from breakerbench.bench.drive import Drive, Ripple, plateaus
from breakerbench.bench.hand import by_hand
from breakerbench.bench.motion import motion
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.vacuum import VacuumUnit
from breakerbench.bench.weights import Weights, weights_for
from breakerbench.trace import Block, EdgeTimes

UNEVEN = replace(
    cam_for(4, 52.0, 0.6, nominal_deg=(0.0, 80.0, 185.0, 262.0)),
    angle_error_deg=(0.3, -0.5, 0.2, 0.4),
    lift_error_mm=(0.02, -0.01, 0.0, 0.03),
)
STILL = Bench(cam=UNEVEN, shaft=Shaft(scatter_deg=0.0))
WEIGHTS = weights_for(450.0, (900.0, 7.0), (1700.0, 12.0), 0.05)
STEPS = ((0.0, 0.0), (1.0, 20.0), (2.5, 45.0), (4.0, 15.0), (5.5, 0.0))
SWEEP = ((0.0, 300.0), (4.0, 1900.0), (8.0, 300.0))

BENCHES = {
    "weights": replace(STILL, weights=WEIGHTS, drive=Drive(SWEEP, (Ripple(0.02, 2.0),))),
    "sticking": replace(
        STILL, weights=replace(WEIGHTS, stiction_nmm=60.0), drive=Drive(SWEEP, start_deg=11.0)
    ),
    "vacuum": replace(
        STILL, vacuum=VacuumUnit(), vacuum_steps=STEPS, drive=plateaus((200.0,), 7.0, 0.1)
    ),
    "both": replace(
        STILL, weights=WEIGHTS, vacuum=VacuumUnit(), vacuum_steps=STEPS, drive=Drive(SWEEP)
    ),
    "vacuum at rest": replace(
        STILL, vacuum=VacuumUnit(), vacuum_steps=STEPS, drive=plateaus((0.0, 50.0), 5.0, 1.0)
    ),
    "hand": replace(STILL, weights=WEIGHTS, drive=by_hand(3, 30.0)),
    "hand and vacuum": replace(
        STILL, vacuum=VacuumUnit(), vacuum_steps=STEPS, drive=by_hand(4, 20.0, 347.0)
    ),
}


def lifted_mm(cam: Cam, cam_deg: np.ndarray) -> np.ndarray:
    """Height of the rubbing block by the law of the lift, written down once more."""
    lift = np.zeros_like(cam_deg)
    for lobe in range(cam.lobes):
        middle = cam.first_centre_deg + cam.openings_deg[lobe] + cam.angle_error_deg[lobe]
        phi = np.mod(cam_deg - middle + 180.0, 360.0) - 180.0
        full = cam.lift_mm + cam.lift_error_mm[lobe]
        on = np.abs(phi) < cam.half_width_deg
        lift[on] = full / 2.0 * (1.0 + np.cos(np.pi * phi[on] / cam.half_width_deg))
    return lift


def shaft_deg(drive: Drive, time_s: np.ndarray) -> np.ndarray:
    """Integral of the speed by fine trapezoids, ripple by Euler's rule on it."""
    rpm = np.interp(time_s, *np.array(drive.points).T)
    step = np.diff(time_s, prepend=time_s[0])
    turned = 6.0 * 0.5 * (rpm + np.concatenate((rpm[:1], rpm[:-1]))) * step
    smooth = drive.start_deg + np.cumsum(turned)
    ahead = sum(
        r.share / r.order * np.sin(np.radians(r.order * smooth + r.phase_deg))
        for r in drive.ripples
    )
    return np.asarray(smooth + np.degrees(ahead))


@pytest.mark.parametrize("name", BENCHES)
def test_the_contact_is_open_where_the_lobe_lifts_the_block_far_enough(name: str) -> None:
    bench = BENCHES[name]
    made = simulate(bench, 1)
    time_s = np.arange(0.0, bench.drive.seconds, 5e-5)
    cam_deg = shaft_deg(bench.drive, time_s) + made.motion.ahead_deg(time_s)
    height = lifted_mm(bench.cam, cam_deg)
    expected = height > bench.cam.lift_mm - bench.cam.gap_mm
    changes = np.searchsorted(made.contact.time_s, time_s, side="right")
    states = np.concatenate(([made.contact.closed_at_start], made.contact.closed))
    assert np.all(states[1:] != states[:-1])
    wrong = states[changes] == expected
    # only where an edge lies within the step of time, or the block within a micrometre of it
    near = np.abs(height - (bench.cam.lift_mm - bench.cam.gap_mm)) < 1e-4
    since = made.contact.time_s
    beside = np.searchsorted(since, time_s + 6e-5) != np.searchsorted(since, time_s - 6e-5)
    assert not np.any(wrong & ~near & ~beside)
    assert np.count_nonzero(expected[1:] != expected[:-1]) == pytest.approx(since.size, abs=2)
    assert since.size > 20


def test_a_hand_goes_back_over_edges_and_each_bench_is_what_it_is_called() -> None:
    assert BENCHES["hand"].drive.goes_back
    assert not BENCHES["weights"].drive.goes_back
    back = simulate(BENCHES["vacuum at rest"], 1).motion
    assert back.goes_back
    made = simulate(BENCHES["hand"], 1)
    turned = made.motion.rotor.range_deg
    assert made.truth["hand"]["openings"] > (turned[1] - turned[0]) / 90.0 + 2


@pytest.mark.parametrize("both_edges", [False, True])
@pytest.mark.parametrize("seed", [3, 4])
def test_index_and_encoder_follow_the_line_of_a_shaft_that_goes_back(
    seed: int, both_edges: bool
) -> None:
    drive = by_hand(seed, 30.0, 355.0)
    encoder = Encoder(100, both_edges, 0.0, first_deg=0.37)
    bench = replace(STILL, drive=drive, encoder=encoder, index=Index(width_deg=9.0, delay_s=1e-5))
    time_s = np.arange(0.0, 30.0, 5e-5)
    angle = shaft_deg(drive, time_s)
    lines = {
        "encoder": np.mod(angle - 0.37, 3.6) < 1.8,
        "index": np.mod(angle, 360.0) < 9.0,
    }
    edges: dict[str, list[EdgeTimes]] = defaultdict(list)
    for event in simulate(bench, 1):
        if isinstance(event, EdgeTimes):
            edges[event.name].append(event)
    for name, line in lines.items():
        found_s = np.concatenate([event.time_s for event in edges[name]])
        rising = np.concatenate([event.rising for event in edges[name]])
        at = np.flatnonzero(line[1:] != line[:-1]) + 1
        if name == "encoder" and not both_edges:
            at = at[line[at]]
            assert np.all(rising)
        # touches shorter than a step of time are in the edges and not in the line
        matched = np.abs(time_s[at][:, None] - found_s[None, :]).argmin(axis=1)
        assert np.max(np.abs(found_s[matched] - time_s[at])) < 1.2e-4
        assert np.array_equal(rising[matched], line[at])
        assert found_s.size - at.size in (0, 1, 2)
        assert np.all(np.diff(found_s) >= 0.0)
        if name == "index" or both_edges:
            assert np.all(rising[1:] != rising[:-1])


@pytest.mark.parametrize("name", ["both", "hand and vacuum", "hand"])
def test_no_size_of_blocks_changes_a_byte(name: str) -> None:
    def sums(seed: int, block: int) -> dict[str, bytes]:
        parts: dict[str, list[bytes]] = defaultdict(list)
        for event in simulate(replace(BENCHES[name], chatter_s=0.003), seed, block):
            if isinstance(event, Block):
                parts["points"].append(event.samples[0].tobytes())
            elif isinstance(event, EdgeTimes):
                parts[event.name].append(event.time_s.tobytes())
        return {key: b"".join(value) for key, value in parts.items()}

    whole = sums(1, 1 << 24)
    assert sums(1, 77_777) == whole
    assert sums(1, 1 << 16) == whole
    assert sums(2, 1 << 16) != whole


@settings(max_examples=40)
@given(
    points=st.lists(st.tuples(st.floats(0.05, 1.0), st.floats(-300.0, 600.0)), min_size=2),
    angles=st.lists(st.floats(-2000.0, 4000.0), min_size=1, unique=True),
)
def test_passings_against_fine_steps(
    points: list[tuple[float, float]], angles: list[float]
) -> None:
    times = np.cumsum([0.0, *(lasting for lasting, _ in points)])
    speeds = [100.0, *(speed for _, speed in points)]
    drive = Drive(tuple(zip(times.tolist(), speeds, strict=True)), by_hand=True)
    path = motion(drive, Weights()).rotor
    assert not isinstance(path, Drive)
    sought = np.sort(angles)
    which, time_s, forward = path.passings(sought)
    assert np.all(np.diff(time_s) >= 0.0)
    assert path.angle_deg(time_s) == pytest.approx(sought[which], abs=1e-6)
    # from one passing to the next of the same angle the way changes; sides fit beginning and end
    ends = path.angle_deg(np.array([0.0, drive.seconds]))
    for number, angle in enumerate(sought):
        ways = forward[which == number].tolist()
        assert all(one != other for one, other in pairwise(ways))
        if min(abs(ends - angle)) > 1e-6:
            assert sum(1 if way else -1 for way in ways) == int(ends[0] < angle) - int(
                ends[1] < angle
            )
    # the first time is the first passing, if it began below
    first = path.time_s(sought)
    for number, angle in enumerate(sought):
        if ends[0] < angle - 1e-6 and np.any(which == number):
            assert first[number] == pytest.approx(time_s[which == number][0], abs=1e-7)


def test_a_plain_drive_by_knots_is_the_closed_form() -> None:
    points = ((0.0, 300.0), (1.0, 300.0), (4.0, 1500.0))
    ripples = (Ripple(0.03, 3.0), Ripple(0.01, 0.4))
    plain, by_knots = Drive(points, ripples), Drive(points, ripples, by_hand=True)
    path = motion(by_knots, Weights()).cam
    angles = np.linspace(150.0, 24_000.0, 5001)
    np.testing.assert_allclose(path.time_s(angles), plain.time_s(angles), rtol=0.0, atol=1e-11)


def test_a_drive_that_goes_back_has_no_one_time_for_an_angle() -> None:
    with pytest.raises(ValueError, match="more than once"):
        by_hand(3, 30.0).time_s(np.array([300.0]))


def test_chatter_comes_after_separations_alone() -> None:
    quiet = simulate(BENCHES["hand"], 1)
    loud = simulate(replace(BENCHES["hand"], chatter_s=0.004), 1)
    assert loud.truth["hand"] == quiet.truth["hand"]
    assert set(quiet.contact.time_s) < set(loud.contact.time_s)
    assert np.all(np.diff(loud.contact.time_s) > 0.0)
    assert np.all(loud.contact.closed[1:] != loud.contact.closed[:-1])
    opened = quiet.contact.time_s[~quiet.contact.closed]
    more = np.setdiff1d(loud.contact.time_s, quiet.contact.time_s)
    since = more - opened[np.searchsorted(opened, more) - 1]
    assert 0.002 < np.max(since) <= 0.004
    assert 2 * opened.size <= more.size <= 8 * opened.size


def _openings(made: Simulated) -> np.ndarray:
    """Angles of the openings as the sensors see them, from instants alone."""
    opened = made.contact.time_s[~made.contact.closed]
    return np.asarray(made.motion.rotor.angle_deg(opened))


def test_the_wrong_way_round_lobes_and_advance_come_backwards_and_dwell_stays() -> None:
    right = replace(STILL, weights=WEIGHTS, drive=Drive(((0.0, 300.0), (3.0, 300.0))))
    wrong = replace(right, drive=replace(right.drive, backwards=True))
    truths = [simulate(bench, 1).truth for bench in (right, wrong)]
    for table in ("dwell", "spacing"):
        key = "per_lobe_deg" if table == "dwell" else "error_deg"
        there, back = (truth[table][key] for truth in truths)
        assert sorted(np.abs(back)) == pytest.approx(sorted(np.abs(there)), abs=0.6)
    assert truths[1]["dwell"]["mean_deg"] == pytest.approx(truths[0]["dwell"]["mean_deg"])
    # intervals of the nominal angles, read backwards
    one, other = (np.diff([*truth["nominal_deg"], 360.0]).tolist() for truth in truths)
    turns = [one[::-1][k:] + one[::-1][:k] for k in range(4)]
    assert any(other == pytest.approx(turn) for turn in turns)
    assert mirrored(mirrored(UNEVEN)) == UNEVEN
    fast = Drive(((0.0, 300.0), (3.0, 2000.0), (5.0, 2000.0)), backwards=True)
    made = simulate(replace(right, drive=fast), 1)
    late = made.truth["realized"]["advance"]
    assert late["max_deg"] == pytest.approx(-12.0)
    # opening edges of the mirrored cam, 12 deg later
    still = simulate(replace(right, weights=Weights(), drive=fast), 1)
    last = [np.mod(_openings(run)[-20:], 360.0) for run in (still, made)]
    assert np.max(np.abs(np.sort(last[1]) - np.sort(np.mod(last[0] + 12.0, 360.0)))) < 1e-6


def test_an_index_above_the_weights_sees_no_advance() -> None:
    bench = replace(BENCHES["weights"], on_rotor=True)
    made = simulate(bench, 1)
    opened = np.mod(_openings(made), 360.0)
    lobe = np.argmin(
        np.abs(opened[:, None] - opened[None, :4]), axis=1
    )  # each comes at its own angle, all through the sweep
    assert np.max(np.abs(opened - opened[:4][lobe])) < 1e-6
    assert made.truth["realized"]["advance"]["max_deg"] == 0.0
    assert made.truth["advance"]["max_deg"] == pytest.approx(12.0)
    stamped = np.concatenate(
        [e.time_s[e.rising] for e in made if isinstance(e, EdgeTimes) and e.name == "index"]
    )
    seen = made.motion.rotor.angle_deg(stamped)
    assert np.max(np.abs(seen - 360.0 * np.round(seen / 360.0))) < 2e-4
