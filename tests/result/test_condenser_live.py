"""What a condenser shows while it is tested: the voltage just now, charges from empty to full."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from breakerbench.bench.charging import Charging, SimulatedCharging
from breakerbench.result.condenser import CondenserCheck, CondenserLive
from breakerbench.trace import Block, Channel, Header, Hole

RATE_HZ = 250e3


@pytest.mark.parametrize("points", [False, True])
@pytest.mark.parametrize("positive_ground", [False, True])
@pytest.mark.parametrize("size", [97, 5000])
def test_charges_are_counted_as_they_come(points: bool, positive_ground: bool, size: int) -> None:
    """To the truth of the simulated test, however it is cut into blocks."""
    test = Charging(points=points, positive_ground=positive_ground, charges=4, hold_s=0.05)
    source = SimulatedCharging(test, 3, size)
    check = CondenserCheck(source.header, watched=True)
    seen = [check.live()]
    for event in source:
        check.feed(event)
        seen.append(check.live())
    assert seen[0] == CondenserLive()
    counts = [each.charges for each in seen]
    assert counts == sorted(counts)
    assert (counts[0], counts[-1]) == (0, 4)
    volts = [each.volts for each in seen if each.volts is not None]
    most = max(volts, key=abs)
    assert most == pytest.approx(-12.0 if positive_ground else 12.0, rel=0.02)
    assert abs(volts[-1]) < 0.2  # it was emptied at the end


def test_a_charge_across_a_hole_is_not_counted() -> None:
    header = Header(RATE_HZ, (Channel("points_v", "V"),), kind="condenser", supply_v=12.0)
    check = CondenserCheck(header, watched=True)
    many = 5000
    check.feed(Block(0, (np.zeros(many, np.float32),)))
    check.feed(Hole(many, 2 * many))
    check.feed(Block(2 * many, (np.full(many, 12.0, np.float32),)))
    assert check.live() == CondenserLive(12.0, 0)


def test_the_condensers_own_channel_goes_before_the_points() -> None:
    channels = (Channel("points_v", "V"), Channel("condenser_v", "V"))
    header = Header(RATE_HZ, channels, kind="condenser", supply_v=12.0)
    check = CondenserCheck(header, watched=True)
    check.feed(Block(0, (np.zeros(5000, np.float32), np.full(5000, 6.0, np.float32))))
    assert check.live().volts == 6.0
    clamped = replace(header, channels=(Channel("contact_v", "V"),))
    other = CondenserCheck(clamped, watched=True)
    other.feed(Block(0, (np.zeros(5000, np.float32),)))
    assert other.live() == CondenserLive()


def test_unwatched_it_shows_nothing_and_the_result_is_the_same() -> None:
    results = []
    for watched in (False, True):
        source = SimulatedCharging(Charging(charges=3, hold_s=0.5), 5)
        check = CondenserCheck(source.header, watched=watched)
        for event in source:
            check.feed(event)
        assert watched or check.live() == CondenserLive()
        results.append(check.finish())
    assert results[0] == results[1]
