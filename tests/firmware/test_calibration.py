"""The calibration record: kept in two copies, torn and damaged everywhere."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.board_program import Program
from breakerbench.wire.capture import Board
from breakerbench.wire.messages import Calibrate, Hello, Input, Keep, Reply, Status
from firmware.core import NEVER, RECORD_SIZE, UNNOTICED, Core

INPUTS = (Input.POINTS_V, Input.CURRENT_A, Input.SUPPLY_V, Input.CONTACT_V)
EMPTY = b"\xff" * RECORD_SIZE
SECOND, FLASH = 62_500_000, 4


def figures(scale: float) -> list[Calibrate]:
    return [
        Calibrate(i, scale * (k + 1), -k - 0.5, 1e-6, 2e-7, 0.25, 0.125)
        for k, i in enumerate(INPUTS)
    ]


def record(scale: float, number: int, own: int = 1) -> bytes:
    """As ``firmware/core/calibration.h`` lays it out, made here by itself."""
    head = b"BBcr" + struct.pack("<HBBI", 1, own, 4, number)
    body = head + b"".join(f.pack() for f in figures(scale))
    body += b"\xff" * (RECORD_SIZE - 4 - len(body))
    return body + struct.pack("<I", zlib.crc32(body))


def begin(core: Core) -> tuple[Board, int]:
    """The board comes up: what it tells of itself, and the flags of its first Status."""
    core.clock(0)
    core.init()
    program = Program(core.received)
    program.say(Hello(1, 1))
    program.hear(core.send())
    core.clock(SECOND)
    core.poll()
    (status,) = [m for m in program.hear(core.send()) if isinstance(m, Status)]
    return program.board(), status.flags


def in_use(board: Board) -> float | None:
    """Scale of the figures in use; None: those of the design. They are of one record, all of them."""
    points = board.sampled[Input.POINTS_V].scale
    if not board.identity.calibrated:
        assert points == 100 / 4096
        return None
    for told in figures(points):
        s = board.sampled[told.input]
        same = s.scale, s.zero, s.delay_s, s.u_delay_s, s.u_gain, s.u_zero
        want = Calibrate.unpack(told.pack())
        assert same == (
            want.scale, want.zero, want.delay_s, want.u_delay_s, want.u_gain, want.u_zero,
        )  # fmt: skip
    return points


def keep(core: Core, scale: float) -> int:
    """Outcome of Keep of these figures."""
    program = Program(core.received)
    program.say(Hello(1, 1), *figures(scale), Keep())
    program.hear(core.send())
    assert [o for _, o in program.replies()[:-1]] == [0] * 5
    return program.replies()[-1][1]


def test_kept_in_turn_as_laid_out(board_main: Path) -> None:
    with Core(board_main) as core:
        assert begin(core)[1] == 0
        for number in range(1, 6):
            assert keep(core, 0.5 * number) == 0
            assert core.flash((number - 1) % 2) == record(0.5 * number, number)
            board, flags = begin(core)
            assert (in_use(board), flags) == (0.5 * number, 0)


def test_figures_of_the_design_may_be_kept(board_main: Path) -> None:
    with Core(board_main) as core:
        core.init()
        program = Program(core.received)
        program.say(Hello(1, 1), Keep())
        program.hear(core.send())
        board, flags = begin(core)
        assert (in_use(board), flags) == (None, 0)
        assert core.flash(0)[6] == 0


@pytest.mark.parametrize("before", [0, 1, 2])
def test_a_write_torn_at_any_byte_leaves_the_older_in_force(board_main: Path, before: int) -> None:
    with Core(board_main) as core:
        copies = [record(0.5 * n, n) if n else EMPTY for n in ((0, 0), (1, 0), (1, 2))[before]]
        older = 0.5 * before or None
        for at in range(RECORD_SIZE):
            for copy, data in enumerate(copies):
                core.set_flash(copy, data)
            assert in_use(begin(core)[0]) == older
            core.faults(torn=at)
            assert keep(core, 4.0) == 5  # or the power is gone
            core.faults()
            board, flags = begin(core)
            target = core.flash(before % 2)
            assert target[:at] == record(4.0, before + 1)[:at]
            assert in_use(board) == older, at
            # An erased copy is no news where there was none before.
            assert flags == (0 if target == EMPTY and before < 2 else FLASH), at
            assert keep(core, 8.0) == 0  # the next mends it
            board, flags = begin(core)
            assert (in_use(board), flags) == (8.0, 0)


def test_flash_that_reads_otherwise_than_it_was_written_is_seen(board_main: Path) -> None:
    """Its last byte does not take, and the port has not noticed."""
    with Core(board_main) as core:
        core.init()
        core.faults(torn=UNNOTICED | (RECORD_SIZE - 1))
        assert keep(core, 2.0) == 5
        core.faults(torn=NEVER)
        assert keep(core, 2.0) == 0


@pytest.mark.parametrize("other", [EMPTY, record(0.5, 7)])
def test_a_record_damaged_in_any_bit_is_told_and_not_used(board_main: Path, other: bytes) -> None:
    rng = np.random.default_rng(4)
    good = record(1.5, 8)
    with Core(board_main) as core:
        core.set_flash(1, good)
        core.set_flash(0, other)
        flags = FLASH if other == EMPTY else 0  # of eight records, both copies were written
        assert (in_use(begin(core)[0]), begin(core)[1]) == (1.5, flags)
        for at in range(RECORD_SIZE):
            spoilt = bytearray(good)
            spoilt[at] ^= 1 << int(rng.integers(0, 8))
            core.set_flash(1, bytes(spoilt))
            board, flags = begin(core)
            assert in_use(board) == (None if other == EMPTY else 0.5)
            assert flags == FLASH


@pytest.mark.parametrize(
    "spoil",
    [
        lambda b: b[:4] + struct.pack("<H", 2) + b[6:],  # of another version
        lambda b: b[:6] + b"\2" + b[7:],
        lambda b: b[:7] + b"\3" + b[8:],
        lambda b: b"BBcs" + b[4:],
        lambda b: b[:12] + b"\3" + b[13:],  # inputs in another order
        lambda b: b[:13] + struct.pack("<f", 0.0) + b[17:],  # a scale that cannot be
        lambda b: b[:88] + struct.pack("<f", float("nan")) + b[92:],
    ],
)
def test_a_record_that_is_none_though_its_checksum_is_right(
    board_main: Path, spoil: Callable[[bytes], bytes]
) -> None:
    body = spoil(record(1.5, 1)[:-4])
    with Core(board_main) as core:
        core.set_flash(0, body + struct.pack("<I", zlib.crc32(body)))
        board, flags = begin(core)
        assert (in_use(board), flags) == (None, FLASH)


def test_the_newer_counts_wherever_it_lies(board_main: Path) -> None:
    numbers = [(1, 2), (2, 1), (9, 8), (0xFFFFFFFF, 0), (0, 0xFFFFFFFF), (0x7FFFFFFF, 0x80000000)]
    with Core(board_main) as core:
        for one, other in numbers:
            core.set_flash(0, record(0.5, one))
            core.set_flash(1, record(2.5, other))
            newest = 2.5 if (other - one) % (1 << 32) < 1 << 31 else 0.5
            board, flags = begin(core)
            assert (in_use(board), flags) == (newest, 0)
            assert keep(core, 4.5) == 0
            newer, older = (1, 0) if newest == 2.5 else (0, 1)
            assert core.flash(older) == record(4.5, ((one, other)[newer] + 1) % (1 << 32))
            assert in_use(begin(core)[0]) == 4.5


def test_flash_that_cannot_be_read(board_main: Path) -> None:
    with Core(board_main) as core:
        core.set_flash(0, record(0.5, 1))
        core.faults(load=3)
        board, flags = begin(core)
        assert (in_use(board), flags) == (None, FLASH)


def test_calibrating_one_input_leaves_the_others(board_main: Path) -> None:
    with Core(board_main) as core:
        core.set_flash(0, record(0.5, 1))
        core.init()
        program = Program(core.received)
        told = replace(figures(0.5)[2], scale=3.5)
        program.say(Hello(1, 1), told, replace(told, input=Input.SPARK), Hello(1, 1))
        program.hear(core.send())
        board = program.board()
        assert [board.sampled[i].scale for i in INPUTS] == [0.5, 1.0, 3.5, 2.0]
        assert [m.outcome for m in program.messages if isinstance(m, Reply)] == [0, 0, 2, 0]
        assert in_use(begin(core)[0]) == 0.5  # not kept
