"""Bounce, float and missed events of the simulated bench's breaker arms, through the analysis.

The quick subset runs by default, ``-m sweep`` the wide one; the table is printed (``pytest -s``).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from breakerbench.bench import Bench, simulate
from breakerbench.bench.random_bench import random_arm_bench
from breakerbench.bench.truth import _missed as missed_of
from breakerbench.judge.specification import parse_specification
from breakerbench.pipeline import analyze

#: Design section 6 and this issue: settling, dwell of a lobe and scatter, deg; onset, rpm.
SETTLE_DEG, SCATTER_DEG, ONSET_RPM = 0.05, 0.01, 50.0


def _run(bench: Bench, seed: int) -> tuple[dict[str, Any], dict[str, Any]]:
    made = simulate(bench, seed)
    nominal = made.truth["nominal_deg"]
    text = (
        f'schema = 1\n[distributor]\nname = "random"\nlobes = {len(nominal)}\n'
        f'source = "drawn at random"\nnominal_deg = {nominal}\n'
    )
    return made.truth, analyze(made, parse_specification(text.encode(), "random distributor"))


def _bins(table: dict[str, Any]) -> dict[int, dict[str, Any]]:
    return {round(row["rpm"] / 50.0): row for row in table["by_speed"]}


@dataclass
class Found:
    """What steady runs showed: errors against what happened, and U against many closings."""

    settle_deg: list[float] = field(default_factory=list)
    samples: list[float] = field(default_factory=list)
    share: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    near: list[bool] = field(default_factory=list)
    dwell_deg: list[float] = field(default_factory=list)
    scatter_deg: list[float] = field(default_factory=list)

    def add(self, seed: int, bench: Bench) -> None:
        truth, result = _run(bench, seed)
        happened, own = _bins(truth["realized"]["bounce"]), _bins(truth["bounce"])
        for row in result["bounce"]["by_speed"]:
            k = round(row["rpm"] / 50.0)
            if k not in happened or happened[k]["closings"] < 20:
                continue
            self.share.append(row["share"] - happened[k]["share"])
            settle = row["settle_deg"], happened[k]["settle_deg"], own[k]["settle_deg"]
            if row["u_settle_deg"] is None or None in settle:
                continue
            self.settle_deg.append(settle[0] - settle[1])
            self.near.append(abs(self.settle_deg[-1]) <= row["u_settle_deg"])
            sample_deg = 6.0 * row["rpm"] / bench.converter.sample_rate_hz
            self.samples.append(self.settle_deg[-1] / sample_deg)
            self.inside.append(abs(settle[0] - settle[2]) <= row["u_settle_deg"])
        # What bounce does to the rest: the same bench with an arm that follows and lands dead.
        assert bench.arm is not None
        dead = replace(bench, arm=replace(bench.arm, restitution=0.0))
        still_truth, still = _run(dead, seed)
        moved = np.array(result["dwell"]["per_lobe_deg"], float)
        moved -= np.array(still["dwell"]["per_lobe_deg"], float)
        happened_deg = np.array(truth["realized"]["dwell"]["per_lobe_deg"], float)
        happened_deg -= np.array(still_truth["realized"]["dwell"]["per_lobe_deg"], float)
        self.dwell_deg += np.abs(moved - happened_deg).tolist()
        if result["scatter"]["deg"] is not None and still["scatter"]["deg"] is not None:
            self.scatter_deg.append(result["scatter"]["deg"] - still["scatter"]["deg"])

    def table(self, title: str) -> str:
        lines = [f"\n{title}: {len(self.settle_deg)} bins that bounce of {len(self.share)}"]
        for name, values in (
            ("settle, deg", self.settle_deg),
            ("settle, samples", self.samples),
            ("share", self.share),
            ("dwell per lobe moved by bounce, deg", self.dwell_deg),
            ("scatter moved by bounce, deg", self.scatter_deg),
        ):
            size = np.abs(np.array(values or [0.0]))
            lines.append(f"  {name:38} worst {size.max():.4f}  95 % {np.quantile(size, 0.95):.4f}")
        lines.append(f"  settle inside U: {np.mean(self.inside or [1.0]):.3f}")
        return "\n".join(lines)


def _steady(seeds: range, **fixed: Any) -> Found:
    found = Found()
    for seed in seeds:
        found.add(seed, random_arm_bench(seed, encoder=True, **fixed))
    return found


def _hold(found: Found, allowance_deg: float, share: float | None) -> None:
    """share: bins in which the share must be right; None: the sampling is too coarse for bounce."""
    assert max(found.dwell_deg) <= allowance_deg
    assert np.max(np.abs(found.scatter_deg)) <= SCATTER_DEG
    if share is None:
        return
    worst = np.abs(np.array(found.settle_deg))
    good = (worst <= SETTLE_DEG) | (np.abs(np.array(found.samples)) <= 0.6)
    # Settling comes in steps of whole flights, and a last flight of one sample may leave no sign:
    # where the median stands at such a step it may fall to the other side, within its U.
    assert np.all(good | found.near)
    assert np.mean(good) >= 0.97
    # losses of contact between the shortest that happens and the shortest that shows are not seen
    assert np.mean(np.abs(found.share) <= 0.01) >= share
    # as many as a share of 95.45 % leaves out, four times in ten thousand
    out = len(found.inside) - sum(found.inside)
    assert out <= 0.0455 * len(found.inside) + 3.4 * np.sqrt(0.0434 * len(found.inside)) + 1


def test_settling_share_dwell_and_scatter_at_250_ks() -> None:
    found = _steady(range(12), condenser=False, sample_rate_hz=250e3)
    print(found.table("250 kS/s, dry feed"))
    _hold(found, 0.02, 0.75)


@pytest.mark.sweep
@pytest.mark.parametrize(
    ("rate_hz", "blow_s", "allowance_deg", "share"),
    [(250e3, 20e-6, 0.02, 0.75), (100e3, 20e-6, 0.03, None)],
)
def test_settling_share_dwell_and_scatter_of_many(
    rate_hz: float, blow_s: float, allowance_deg: float, share: float | None
) -> None:
    found = _steady(range(1000, 1080), condenser=False, sample_rate_hz=rate_hz, blow_s=blow_s)
    print(found.table(f"{rate_hz / 1e3:.0f} kS/s, dry feed"))
    _hold(found, allowance_deg, share)


def _slowly_sampled(seeds: range) -> None:
    """Dwell of benches whose first touches of 20 microseconds are no longer than a sample, or little."""
    inside, off_fast = [], [0.0]
    for seed in seeds:
        chance = np.random.default_rng(seed)
        rate_hz, rpm = np.exp(chance.uniform(np.log([20e3, 300.0]), np.log([250e3, 2500.0])))
        bench = random_arm_bench(
            seed, condenser=False, encoder=True, sample_rate_hz=round(rate_hz), speed_rpm=rpm
        )
        truth, result = _run(bench, seed)
        if not result["dwell"]["per_lobe_deg"]:
            assert result["why"]["dwell"]
            assert rate_hz < 50e3
            continue
        off = np.array(result["dwell"]["per_lobe_deg"], float)
        off -= np.array(truth["realized"]["dwell"]["per_lobe_deg"], float)
        off_fast += np.abs(off).tolist() if rate_hz > 75e3 else []
        inside += (np.abs(off) <= np.array(result["dwell"]["u_per_lobe_deg"])).tolist()
    most = np.quantile(off_fast, 0.95)
    print(
        f"\ndwell per lobe inside U: {np.mean(inside):.4f}; from 75 kS/s on 95 % within {most:.3f}, "
        f"worst {max(off_fast):.3f} deg"
    )
    assert np.mean(inside) >= 0.9545
    # The allowance of 0.03 at 100 kS/s is kept by 95 %; of 150 the worst one is 0.045 off, at 75 kS/s.
    assert most <= 0.03
    assert max(off_fast) <= 0.05


def test_dwell_of_brief_touches_at_slow_sampling() -> None:
    _slowly_sampled(range(1005, 1030))


@pytest.mark.sweep
def test_dwell_of_brief_touches_at_slow_sampling_of_many() -> None:
    _slowly_sampled(range(2000, 2150))


@pytest.mark.sweep
def test_settling_with_a_condenser_across_the_feed() -> None:
    found = _steady(range(1000, 1060), condenser=True, sample_rate_hz=250e3)
    print(found.table("250 kS/s, condenser across the feed"))
    # Against what happened in the run; another run of such an arm may have its median at another
    # flight (two of 28 here), and a condenser may hide the last one (one, by a tenth of its U).
    assert np.mean(found.near) >= 0.9
    assert np.mean(found.inside) >= 0.8
    assert max(found.dwell_deg) <= 0.02


def _onsets(seeds: range) -> None:
    errors, none = [], 0
    for seed in seeds:
        # floating arms leave the definition of a dwell at last: see test_bounce_bench's float test
        bench = random_arm_bench(
            seed, True, condenser=False, sample_rate_hz=250e3, float_rpm=5500.0, lobes=4 + seed % 5
        )
        truth, result = _run(bench, seed)
        true, found = truth["realized"]["bounce"]["onset_rpm"], result["bounce"]["onset_rpm"]
        missed = {key: result["missed"][key] for key in ("openings", "closings")}
        assert missed == truth["missed"], (seed, missed, truth["missed"])
        assert (true is None) == (found is None), (seed, true, found)
        none += true is None
        if true is not None:
            errors.append(found - true)
    print(f"\nonset, rpm off: {np.unique(errors, return_counts=True)}; none in {none}, none found")
    # One closing in twenty of some fifty is to settle later than 0.5 deg: one that is 0.002 deg off
    # moves the onset by a bin, and with the next bin, which must agree, by two (3 of 75).
    assert np.max(np.abs(errors)) <= 2.0 * ONSET_RPM
    assert np.mean(np.abs(errors) <= ONSET_RPM) >= 0.95
    assert np.mean(np.array(errors) == 0.0) >= 0.7


def test_onset_up_a_ramp() -> None:
    _onsets(range(8))


@pytest.mark.sweep
def test_onset_of_many() -> None:
    _onsets(range(1000, 1080))


def test_dwell_follows_an_arm_that_floats() -> None:
    """Late touches and harder landings: dwell at each speed to what happened."""
    worst = 0.0
    for seed in range(4):
        bench = random_arm_bench(
            seed, condenser=False, encoder=True, sample_rate_hz=250e3, lobes=4, speed_rpm=2400.0,
            float_rpm=1900.0, onset_rpm=1500.0, cam_error_deg=0.1, ripple_share=0.001,
            uneven=False, scatter_deg=0.1, speed_change=0.0, friction_share=0.1,
        )  # fmt: skip
        truth, result = _run(bench, seed)
        real = truth["realized"]
        geometry = bench.cam.dwell_deg()
        assert real["dwell"]["mean_deg"] < geometry - 1.0
        off = np.array(result["dwell"]["per_lobe_deg"]) - np.array(real["dwell"]["per_lobe_deg"])
        worst = max(worst, float(np.abs(off).max()))
        # floating makes more of the scatter, and the ends of the run hold other revolutions
        assert np.all(np.abs(off) <= np.maximum(result["dwell"]["u_per_lobe_deg"], 0.02))
        assert result["bounce"]["by_speed"][0]["share"] > 0.95
    print(f"\nfloating arms: dwell per lobe, worst {worst:.3f} deg")


@pytest.mark.parametrize("share", [0.001, 0.005, 0.01])
def test_missed_by_dirt_is_counted(share: float) -> None:
    """Counted over the openings with a known angle: all but some at either end of the run."""
    for seed in range(300, 306):
        bench = random_arm_bench(
            seed, missed_share=share, condenser=False, sample_rate_hz=250e3, lobes=4 + seed % 5,
            speed_rpm=900.0, seconds=8.0,
        )  # fmt: skip
        truth, result = _run(bench, seed)
        turning, found = simulate(bench, seed).turning, result["missed"]
        edges = turning.open_deg, turning.close_deg
        inside = np.flatnonzero(np.isfinite(turning.open_s).any(axis=1))
        count = []
        for spare in (0, 3):
            looked = np.zeros(len(turning.open_s), bool)
            looked[inside[0] + spare : inside[-1] + 1 - spare] = True
            count.append(missed_of(*edges, looked))
        for key in ("openings", "closings"):
            least, most = count[1][key], count[0][key]
            assert least <= truth["missed"][key] <= most
            assert least <= found[key] <= most, (seed, key, found, least, most)


@pytest.mark.parametrize("share", [0.03, 0.06, 0.1, 0.2])
def test_many_missed_are_counted_or_not_told(share: float) -> None:
    """With an encoder, of those looked at, to a twentieth; null where it is too many to be sure."""
    told = 0
    for seed in range(300, 306):
        bench = random_arm_bench(
            seed, missed_share=share, condenser=False, sample_rate_hz=250e3, lobes=4 + seed % 5,
            speed_rpm=900.0, seconds=8.0, encoder=True,
        )  # fmt: skip
        truth, result = _run(bench, seed)
        found = result["missed"]
        if found["openings"] is None:
            assert result["why"]["missed"]
            assert share >= 0.1
            continue
        told += 1
        looked = found["expected"] / (120 * (4 + seed % 5))
        for key in ("openings", "closings"):
            happened = looked * truth["missed"][key]
            assert abs(found[key] - happened) <= 3 + 0.05 * happened
    assert told >= 5 or share > 0.1
