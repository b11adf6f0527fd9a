"""The figures that the board tells of its inputs, and those that it takes."""

from __future__ import annotations

from dataclasses import astuple, replace
from math import log, pi
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breakerbench.wire.account import check_sampled
from breakerbench.wire.capture import Board
from breakerbench.wire.messages import (
    Calibrate,
    Input,
    Outcome,
    Reply,
    Sampled,
)
from firmware.core import Core
from firmware.orders import (
    ENCODER,
    INDEX,
    greeted,
)


def test_design_figures(told: Board) -> None:
    """The dividers, 30 kHz of first order (half height: tau ln 2), 500,000 conversions a second."""
    for which, full in (
        ("points_v", 50.0),
        ("current_a", 10.0),
        ("supply_v", 20.0),
        ("contact_v", 2.5),
    ):
        s = told.sampled[Input[which.upper()]]
        assert (s.bits, s.scale, s.zero) == (12, pytest.approx(2 * full / 4096, rel=1e-7), -full)
        assert s.delay_s == pytest.approx(log(2.0) / (2.0 * pi * 30e3), rel=1e-6)
        assert (s.u_delay_s, s.u_gain, s.u_zero) == (0.0, -1.0, -1.0)
    assert [astuple(e) for e in told.edges.values()] == [(INDEX, 1, 0.0), (ENCODER, 1, 0.0)]
    assert [astuple(m) for m in told.modes.values()] == [
        (1, 2, Input.POINTS_V, Input.CURRENT_A, 0, 250, 1, 125.0),
        (2, 3, Input.POINTS_V, Input.CURRENT_A, Input.SUPPLY_V, 375, 1, 125.0),
    ]
    rates = [told.rate_hz(m) for m in told.modes.values()]
    assert rates == [250_000.0, pytest.approx(500_000 / 3)]
    for mode in told.modes.values():
        told.header(mode, simulated=True)  # all that the program asks of a board


@settings(max_examples=150, deadline=None)
@given(
    st.floats(width=32), st.floats(width=32), st.lists(st.floats(width=32), min_size=4, max_size=4)
)
def test_a_calibration_is_taken_where_the_program_would_take_it(
    board_main: Path, scale: float, zero: float, others: list[float]
) -> None:
    """The same line is drawn by ``wire/account.py``; most of these cannot be."""
    with Core(board_main) as core:
        program = greeted(core)
        sense = (0.01, -5.0, [1e-6, 1e-7, 0.001, 0.01])
        for one in range(7):  # each figure alone against sound ones, and all together
            parts = [sense[0], sense[1], *sense[2]]
            drawn = [scale, zero, *others]
            parts = drawn if one == 6 else [*parts[:one], drawn[one], *parts[one + 1 :]]
            told = Calibrate(Input.SUPPLY_V, *parts)
            program.say(told)
            reply = program.hear(core.send())[-1]
            assert isinstance(reply, Reply)
            told = Calibrate.unpack(told.pack())
            try:
                check_sampled(Sampled(told.input, 12, *(getattr(told, f) for f in FIELDS)))
                wanted = Outcome.DONE
            except ValueError:
                wanted = Outcome.MALFORMED
            assert reply.outcome == wanted, told


FIELDS = ("scale", "zero", "delay_s", "u_delay_s", "u_gain", "u_zero")


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        ("scale", 1e6 / 4095 * 0.999999, 1e6 / 4095 * 1.000001),
        ("scale", -1e-6 / 4095 * 1.000001, -1e-6 / 4095 * 0.999999),
        ("zero", -1e6, -1.0001e6),
        ("delay_s", 0.0099999, 0.0100001),
        ("delay_s", 0.0, -1e-30),
        ("u_delay_s", 0.0099999, 0.0100001),
        ("u_gain", 0.9999, 1.0),
        ("u_gain", -1e30, float("-inf")),
        ("u_zero", 1e6, 1.0001e6),
        ("u_zero", -1e30, float("-inf")),
        ("zero", 0.0, float("nan")),
    ],
)
def test_limits_of_a_calibration(board_main: Path, field: str, good: float, bad: float) -> None:
    sound = Calibrate(Input.CONTACT_V, 0.01, -5.0, 1e-6, 1e-7, 0.001, 0.01)
    with Core(board_main) as core:
        program = greeted(core, replace(sound, **{field: good}), replace(sound, **{field: bad}))
        assert [o for _, o in program.replies()] == [Outcome.DONE, Outcome.DONE, Outcome.MALFORMED]
