"""Orders to the core and what it sends, for the tests of it."""

from __future__ import annotations

import numpy as np

from bench.board_program import Program
from breakerbench.wire.messages import (
    Edges,
    Hello,
    Input,
    Message,
    Samples,
    Status,
)
from firmware.core import Core

INDEX, ENCODER = int(Input.INDEX), int(Input.ENCODER)
COUNTS = np.random.default_rng(1).integers(0, 4096, (2, 100_000))
ROW, BLOCK, SECOND = 250, 320, 62_500_000
RESERVE, SIZE = 8_192, 98_304


def greeted(core: Core, *messages: Message, lead: int = 0) -> Program:
    """A program that has said Hello, and these; all that was answered is heard."""
    core.lead(lead)
    core.init()
    program = Program(core.received)
    program.say(Hello(1, 1), *messages)
    program.hear(core.send())
    return program


def samples(program: Program) -> list[Samples]:
    return [m for m in program.messages if isinstance(m, Samples)]


def edges(program: Program) -> list[Edges]:
    return [m for m in program.messages if isinstance(m, Edges)]


def status(core: Core, program: Program, at: int) -> Status:
    core.clock(at)
    core.poll()
    return [m for m in program.hear(core.send()) if isinstance(m, Status)][-1]
