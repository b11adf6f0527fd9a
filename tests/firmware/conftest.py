"""The core, built once for all tests of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.board_program import Program
from breakerbench.wire.capture import Board
from breakerbench.wire.messages import Hello
from firmware.build import SANITIZE, SIMULATED, build
from firmware.core import Core


@pytest.fixture(scope="session")
def board_main(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build("board_main", tmp_path_factory.mktemp("core"), "-O1", *SANITIZE, *SIMULATED)


@pytest.fixture(scope="session")
def told(board_main: Path) -> Board:
    """What the board tells of itself before any calibration."""
    with Core(board_main) as core:
        core.init()
        program = Program(core.received)
        program.say(Hello(1, 1))
        program.hear(core.send())
        return program.board()
