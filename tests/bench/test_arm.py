"""The breaker arm against an integration of its equation of motion in fine steps (scipy)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from breakerbench.bench import Bench, simulate
from breakerbench.bench.arm import Arm, Passes, flights, landings
from breakerbench.bench.arm_for import arm_for, landing_m_s, restitution_for, settling_s
from breakerbench.bench.cam import Cam, cam_for
from breakerbench.bench.contact import contact_of, turn
from breakerbench.bench.drive import Drive, Ripple, steady
from breakerbench.bench.motion import motion
from breakerbench.bench.settling import Dirt
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.weights import Weights
from breakerbench.trace import Block

CAM = cam_for(4, 52.4, 0.635)
STILL = Shaft(scatter_deg=0.0)


def _passes(cam: Cam, rpm: float, count: int) -> Passes:
    scale = np.pi / cam.half_width_deg
    half = np.full(count, scale * cam.half_open_deg(cam.gap_mm))
    rate = np.full(count, scale * 6.0 * rpm)
    return Passes(1e-3 * cam.lift_mm, half, rate, np.full(count, scale * cam.pitch_deg))


class _Integrated:
    """The arm over one lobe and into the next, step by step: nothing of the closed forms is used."""

    def __init__(self, arm: Arm, cam: Cam, rpm: float) -> None:
        self.arm, self.cam, self.rpm = arm, cam, rpm
        self.w = np.pi / cam.half_width_deg * 6.0 * rpm
        self.half = np.pi / cam.half_width_deg * cam.half_open_deg(cam.gap_mm)
        self.pitch_s = cam.pitch_deg / (6.0 * rpm)

    def lobe(self, t: float) -> tuple[float, float, float]:
        """Height, speed and acceleration of the nearest lobe, its middle at whole pitches."""
        theta = self.w * (t - self.pitch_s * np.round(t / self.pitch_s))
        lift = 0.5e-3 * self.cam.lift_mm
        if abs(theta) >= np.pi:
            return -lift * (1.0 + np.cos(self.half)), 0.0, 0.0
        w = self.w
        return (
            lift * (np.cos(theta) - np.cos(self.half)),
            -lift * w * np.sin(theta),
            -lift * w * w * np.cos(theta),
        )

    def force(self, y: float, v: float) -> float:
        a = self.arm
        return -(a.preload_n + a.rate_n_per_m * y) - np.sign(v) * a.friction_n

    def fly(self, t: float, y: float, v: float, ground: bool) -> tuple[float, float, float]:
        """Until it comes down on the lobe or, ``ground``, on the contact alone."""

        def slope(_: float, s: np.ndarray) -> list[float]:
            return [s[1], self.force(s[0], s[1]) / self.arm.mass_kg]

        def down(t: float, s: np.ndarray) -> float:
            return float(s[0] - (0.0 if ground else max(self.lobe(t)[0], 0.0)))

        down.terminal, down.direction = True, -1.0  # type: ignore[attr-defined]
        step = self.pitch_s / 3000.0
        start = t + 1e-9
        found = solve_ivp(
            slope, (start, t + 3 * self.pitch_s), [y + v * 1e-9 + 1e-13, v], "RK45",
            events=down, max_step=step, rtol=1e-10, atol=1e-13,
        )  # fmt: skip
        (end,), (state,) = found.t_events[0], found.y_events[0]
        return float(end), float(state[0]), float(state[1])

    def closing(self) -> tuple[float, float, bool]:
        """(late, landing speed, missed) of the lobe at time 0, its block on the cam before."""
        m = self.arm.mass_kg
        t, step = -self.half / self.w, self.pitch_s / 20000.0
        closes = self.half / self.w
        for _ in range(60):
            # ride until the cam falls away faster than the spring can follow
            while t < closes:
                y, v, a = self.lobe(t)
                if m * a < self.force(y, v):
                    break
                t += step
            if t >= closes:
                return 0.0, -self.lobe(closes)[1], False
            y, v, _ = self.lobe(t)
            while True:
                t, y, v = self.fly(t, y, v, ground=False)
                over = t > 0.5 * self.pitch_s
                height, speed, _ = self.lobe(t)
                if height <= 0.0:
                    return t - closes, -v, False
                if over:
                    return 0.0, 0.0, True
                parting = self.arm.block_restitution * (speed - v)
                if parting < 2e-3:
                    break
                v = speed + parting
                y = height
        raise AssertionError("no end")

    def run(self, lobes: int) -> list[float | None]:
        """How late each of some lobes closes, one after the other from the first on; None: missed."""
        late: list[float | None] = []
        m, step = self.arm.mass_kg, self.pitch_s / 20000.0
        t = -self.half / self.w
        while len(late) < lobes:
            closes = len(late) * self.pitch_s + self.half / self.w
            while t < closes and m * self.lobe(t)[2] >= self.force(*self.lobe(t)[:2]):
                t += step
            if t >= closes:
                late.append(0.0)
                t = len(late) * self.pitch_s - self.half / self.w
                continue
            y, v, _ = self.lobe(t)
            while True:
                t, y, v = self.fly(t, y, v, ground=False)
                height, speed, _ = self.lobe(t)
                if height <= 0.0:
                    closing = int(t // self.pitch_s)
                    late += [None] * (closing - len(late))
                    late.append(t - closing * self.pitch_s - self.half / self.w)
                    t = len(late) * self.pitch_s - self.half / self.w
                    break
                late += [None] * (int(np.round(t / self.pitch_s)) - len(late))
                parting = self.arm.block_restitution * (speed - v)
                if parting < 2e-3:
                    break
                y, v = height, speed + parting
        return late[:lobes]


@pytest.mark.parametrize("rpm", [3500.0, 4000.0, 4400.0])
def test_flights_over_several_lobes_are_those_of_the_integrated_motion(rpm: float) -> None:
    arm = replace(arm_for(CAM, 1500.0, None), block_restitution=0.0)
    late = _Integrated(arm, CAM, rpm).run(8)
    found = landings(arm, _passes(CAM, rpm, 200))
    assert found.missed[:8].tolist() == [each is None for each in late]
    assert any(each is None for each in late)
    true = [each or 0.0 for each in late]
    assert found.late_s[:8] * 6.0 * rpm == pytest.approx(np.array(true) * 6.0 * rpm, abs=0.05)


@pytest.mark.parametrize("rpm", [800.0, 1900.0, 2050.0, 2300.0, 2700.0, 3100.0])
@pytest.mark.parametrize(("friction", "block"), [(0.0, 0.0), (0.6, 0.0), (0.3, 0.4)])
def test_landings_are_those_of_the_integrated_motion(
    rpm: float, friction: float, block: float
) -> None:
    arm = replace(arm_for(CAM, 2000.0, None), friction_n=friction, block_restitution=block)
    late, speed, missed = _Integrated(arm, CAM, rpm).closing()
    found = landings(arm, _passes(CAM, rpm, 1))
    assert bool(found.missed[0]) == missed
    if not missed:
        assert found.late_s[0] * 6.0 * rpm == pytest.approx(late * 6.0 * rpm, abs=0.02)
        assert found.speed_m_s[0] == pytest.approx(speed, rel=2e-3)


def test_trains_are_those_of_the_integrated_motion() -> None:
    arm = Arm(friction_n=0.8, restitution=0.5)
    motion = _Integrated(arm, CAM, 1000.0)
    which, lost, back = flights(arm, np.array([0.3]), np.array([0.5]))
    assert np.all(which == 0)
    assert len(which) > 4
    v, touch = 0.3, 0.0
    for parts, closes in zip(lost, back, strict=True):
        v *= 0.5
        assert parts == pytest.approx(touch + arm.blow_s, abs=1e-12)
        end, _, down = motion.fly(parts, 0.0, v, ground=True)
        assert closes == pytest.approx(end, abs=1e-8)
        assert -down < v  # friction took some of it
        v, touch = -down, closes


@settings(max_examples=60)
@given(
    speed=st.floats(1e-3, 3.0),
    share=st.floats(0.0, 0.95),
    friction=st.floats(0.0, 5.0),
    rate=st.floats(1.0, 5000.0),
)
def test_energy_never_grows(speed: float, share: float, friction: float, rate: float) -> None:
    """Each flight is shorter than the one before by the restitution at least; contacts alternate."""
    arm = Arm(friction_n=friction, rate_n_per_m=rate)
    _, lost, back = flights(arm, np.array([speed]), np.array([share]))
    lasts = back - lost
    assert np.all(lasts >= arm.least_flight_s)
    # spring stiffer with height: a lower flight may take up to the full share of the time
    assert np.all(lasts[1:] <= lasts[:-1] * (1.0 + 1e-9))
    assert np.all(np.diff(np.stack((lost, back), axis=1).ravel()) > 0.0)
    if len(lasts):
        # No longer than thrown up from the landing without any loss, against the preload alone.
        up, down = arm.preload_n + friction, arm.preload_n - friction
        most = arm.mass_kg * share * speed * (1.0 / up + 1.0 / np.sqrt(up * down))
        assert lasts[0] <= most * (1.0 + 1e-9)


def _closed(arm: Arm | None, rpm: float) -> tuple[np.ndarray, np.ndarray]:
    turned = turn(CAM, STILL, motion(steady(rpm, 1.0), Weights()), 5, arm=arm)
    contact = contact_of(turned, CAM)
    assert np.all(np.diff(contact.time_s) > 0.0)
    assert np.all(contact.closed[1:] != contact.closed[:-1])
    whole = slice(2, -2)
    dwell = np.roll(turned.open_deg.ravel(), -1)[:-1] - turned.close_deg.ravel()[:-1]
    return dwell.reshape(-1)[8:-8], turned.close_deg[whole]


def test_more_speed_more_settling_then_late_hard_and_missed() -> None:
    arm = replace(arm_for(CAM, 1500.0, 1000.0), restitution_spread=0.0)
    settle, dwells, speeds = [], [], []
    for rpm in (300.0, 600.0, 900.0, 1200.0, 1450.0, 1600.0, 1800.0, 2000.0):
        turned = turn(CAM, STILL, motion(steady(rpm, 1.0), Weights()), 5, arm=arm)
        train = turned.trains
        touch = turned.close_s.ravel()[train.closing]
        settle.append(float(np.max(train.back_s - touch)) * 6.0 * rpm)
        dwells.append(float(np.nanmean(_closed(arm, rpm)[0])))
        speeds.append(float(np.nanmedian(turned.landing_m_s)))
    assert np.all(np.diff(settle) > 0.0)
    assert np.all(np.diff(speeds) > 0.0)
    assert dwells[:5] == pytest.approx([CAM.dwell_deg()] * 5, abs=1e-6)
    # at first it only leaves the nose and is back on the flank in time
    assert dwells[5] == pytest.approx(CAM.dwell_deg(), abs=1e-6)
    assert np.all(np.diff(dwells[5:]) < -0.5)
    fast = simulate(Bench(cam=CAM, arm=arm, drive=steady(5000.0, 1.0)), 3).truth["missed"]
    assert fast["closings"] > 100
    assert fast["openings"] == 0


def test_an_arm_made_to_order_keeps_its_speeds() -> None:
    for cam in (CAM, cam_for(8, 27.0, 0.4), cam_for(3, 70.0, 0.5)):
        arm = arm_for(cam, 2200.0, 1300.0)
        late = [landings(arm, _passes(cam, rpm, 1)).late_s[0] for rpm in (2195.0, 3000.0)]
        assert late[0] == 0.0
        assert late[1] > 0.0
        high = arm.restitution * (1.0 + 1.6449 * arm.restitution_spread)
        # one more flight, short as it may be, adds its blow at once: the limit lies at such a step
        below, above = (
            settling_s(arm, landing_m_s(cam, 1300.0), high * f) * 6.0 * 1300.0
            for f in (0.9995, 1.0005)
        )
        assert below <= 0.5 <= above
        assert restitution_for(arm, cam, None) == 0.0


def test_friction_holds_the_arm_back_and_in_the_end_open() -> None:
    arm = arm_for(CAM, 2500.0, None)
    tight = replace(arm, friction_n=0.7 * arm.preload_n)
    assert landings(arm, _passes(CAM, 2000.0, 1)).late_s[0] == 0.0
    assert landings(tight, _passes(CAM, 2000.0, 1)).late_s[0] > 0.0
    stuck = Bench(cam=CAM, arm=replace(arm, friction_n=1.1 * arm.preload_n))
    truth = simulate(stuck, 1).truth
    assert truth["state"] == "always open"


def test_without_an_arm_or_with_one_that_follows_and_lands_dead_nothing_changes() -> None:
    """One cause of chance does not disturb another: scatter is that of a bench without an arm."""
    dead = replace(arm_for(CAM, 9000.0, None), restitution=0.0)
    drive = steady(1200.0, 1.0)
    plain = turn(CAM, Shaft(), motion(drive, Weights()), 9)
    for arm, dirt in ((dead, None), (dead, Dirt()), (None, Dirt())):
        other = turn(CAM, Shaft(), motion(drive, Weights()), 9, arm=arm, dirt=dirt)
        np.testing.assert_array_equal(other.open_s, plain.open_s)
        np.testing.assert_array_equal(other.close_s, plain.close_s)
        assert other.trains.closing.size == 0


def test_dirt_takes_pairs_of_edges_at_the_shares_stated() -> None:
    dirt = Dirt(0.02, 0.05)
    turned = turn(CAM, STILL, motion(steady(1500.0, 200.0), Weights()), 3, dirt=dirt)
    truth = simulate(Bench(cam=CAM, drive=steady(1500.0, 200.0), dirt=dirt), 3).truth
    lobes = turned.open_s.size
    assert truth["missed"]["openings"] == pytest.approx(0.02 * lobes, rel=0.15)
    assert truth["missed"]["closings"] == pytest.approx(0.05 * lobes, rel=0.15)
    contact = contact_of(turned, CAM)
    assert np.all(contact.closed[1:] != contact.closed[:-1])
    assert truth["realized"]["dwell"]["mean_deg"] == pytest.approx(52.4, abs=0.02)


@pytest.mark.parametrize(
    "bad",
    [{"mass_kg": 0.0}, {"friction_n": -1.0}, {"restitution": 1.0}, {"blow_s": 0.0}],
)
def test_what_an_arm_cannot_be(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"arm|restitution"):
        Arm(**bad)
    with pytest.raises(ValueError, match="shares"):
        Dirt(openings_share=1.5)


FULL = Bench(
    cam=CAM,
    arm=replace(arm_for(CAM, 1400.0, 700.0), block_restitution=0.3),
    dirt=Dirt(0.01, 0.01),
    drive=Drive(((0.0, 500.0), (2.0, 1900.0)), (Ripple(0.01, 2.0),)),
    feed=replace(Bench().feed, condenser_f=0.2e-6),
)


def _bytes(bench: Bench, seed: int, block: int) -> list[bytes]:
    blocks = [event for event in simulate(bench, seed, block) if isinstance(event, Block)]
    return [b"".join(block.samples[row].tobytes() for block in blocks) for row in range(2)]


def test_bytes_depend_on_the_seed_and_not_on_the_blocks() -> None:
    whole = _bytes(FULL, 4, 1 << 20)
    assert whole == _bytes(FULL, 4, 1 << 20) == _bytes(FULL, 4, 7001) == _bytes(FULL, 4, 65536)
    assert whole != _bytes(FULL, 5, 1 << 20)
    assert whole != _bytes(replace(FULL, arm=None), 4, 1 << 20)


def test_both_channels_show_every_bounce() -> None:
    """Losses of contact longer than a few samples, counted in the samples themselves."""
    arm = replace(arm_for(CAM, 4000.0, 600.0), restitution_spread=0.0)
    made = simulate(Bench(cam=CAM, arm=arm, drive=steady(1500.0, 1.0)), 2)
    long = made.turning.trains.back_s - made.turning.trains.lost_s > 40e-6
    inside = (made.turning.trains.back_s < 1.0) & (made.turning.trains.lost_s > 0.0)
    losses = int(np.count_nonzero(long & inside))
    openings = int(np.count_nonzero(~made.contact.closed & (made.contact.time_s < 1.0)))
    assert losses >= 100
    blocks = [event for event in made if isinstance(event, Block)]
    for row, rising in ((0, True), (1, False)):
        x = np.concatenate([block.samples[row] for block in blocks]).astype(float)
        middle = 0.5 * (np.percentile(x, 2.0) + np.percentile(x, 98.0))
        crossed = np.count_nonzero(np.diff((x > middle).astype(int)) == (1 if rising else -1))
        assert losses <= crossed <= openings


def test_truth_of_bounce_is_a_plain_reading_of_the_contact() -> None:
    made = simulate(replace(FULL, dirt=None, drive=steady(1150.0, 3.0)), 8)
    contact, real = made.contact, made.truth["realized"]["bounce"]
    half = 0.5 * CAM.dwell_deg() / (6.0 * 1150.0)
    settle: list[float] = []
    touch = last = None
    for time, closed in zip(contact.time_s, contact.closed, strict=True):
        if closed and touch is None:
            touch = last = float(time)
        elif closed:
            last = float(time)
        elif touch is not None and time - touch > half:
            settle.append(last - touch)
            touch = None
    values = np.array(settle)
    (row,) = real["by_speed"]
    assert row["closings"] == pytest.approx(len(values), abs=9)
    assert row["share"] == pytest.approx(np.mean(values > 0.0), abs=0.02)
    assert row["settle_s"] == pytest.approx(np.median(values[values > 0.0]), rel=0.02)
    assert row["settle_deg"] == pytest.approx(row["settle_s"] * 6.0 * 1150.0, rel=0.02)
    own = made.truth["bounce"]["by_speed"][0]
    assert own["settle_s"] == pytest.approx(row["settle_s"], rel=0.1)
