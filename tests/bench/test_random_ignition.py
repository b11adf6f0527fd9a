"""Random benches on a coil: within their ranges, and what is not fixed stays as the seed has it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from breakerbench.bench import simulate
from breakerbench.bench.random_bench import random_ignition_bench

from .test_ignition_bench import read


@pytest.mark.parametrize("seed", range(25))
def test_random_benches_stay_in_range_and_fire(seed: int) -> None:
    bench = random_ignition_bench(seed, seconds=0.5)
    circuit = bench.ignition
    assert circuit is not None
    simulated = simulate(bench, seed)
    channels = simulated.header.channels
    assert channels[0].u_gain is not None
    assert channels[0].u_zero is not None
    amps = read(simulated)["current_a"]
    row = simulated.header.position("current_a")
    assert row is not None
    full = channels[row].scale * 2048
    assert np.max(circuit.sign * amps) < full
    assert 5.5 < circuit.volts < 14.0
    assert bench.cam.lobes in (4, 6, 8)
    assert len(circuit.gaps) == bench.cam.lobes
    json.dumps(simulated.truth, allow_nan=False)


def test_random_benches_leave_alone_what_is_not_fixed() -> None:
    plain = random_ignition_bench(11)
    fixed = random_ignition_bench(11, coil_ohm_20c=2.5, burn_v=1000.0, speed_rpm=800.0)
    assert plain.ignition is not None
    assert fixed.ignition is not None
    assert fixed.ignition.coil_ohm_20c == 2.5
    assert {gap.burn_v for gap in fixed.ignition.gaps} == {1000.0}
    back = replace(
        fixed.ignition, coil_ohm_20c=plain.ignition.coil_ohm_20c, gaps=plain.ignition.gaps
    )
    assert back == plain.ignition
    assert fixed.cam == plain.cam
    with pytest.raises(TypeError, match="nonsense"):
        random_ignition_bench(1, nonsense=1)
