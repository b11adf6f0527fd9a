"""Turned by hand: where something was lost, no change of the contact is told."""

from __future__ import annotations

import numpy as np
import pytest

from breakerbench.edges.hand import HandTrace
from breakerbench.trace import Block, Channel, Header, Hole

RATE_HZ = 20_000.0
STEPS_V = (0.0, 12.0, 0.0, 12.0)
LONG = 10_000  # samples of each step: whole groups


def openings_s(holes: dict[int, int]) -> list[float]:
    """Openings told of a contact that takes ``STEPS_V`` in turn.

    holes   samples lost before the step of that number
    """
    trace = HandTrace(Header(RATE_HZ, (Channel("points_v", "V"),)))
    first = 0
    for k, volts in enumerate(STEPS_V):
        if k in holes:
            trace.hole(Hole(first, first + holes[k], 1, "frame refused"))
            first += holes[k]
        trace.block(Block(first, (np.full(LONG, volts, np.float32),)))
        first += LONG
    return trace.finish().open_s.tolist()


def test_every_opening_is_told_where_nothing_was_lost() -> None:
    assert openings_s({}) == pytest.approx([0.5, 1.5], abs=1e-3)


@pytest.mark.parametrize("lost", [0, 1, 2, 3, 2000])
def test_no_opening_is_told_across_a_hole_of_whatever_length(lost: int) -> None:
    """Of no samples too: a damaged block of a file may leave the clock where it was."""
    told = openings_s({1: lost})
    assert told == pytest.approx([1.5 + lost / RATE_HZ], abs=1e-3)
