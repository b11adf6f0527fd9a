"""The simulated board in a process of its own: ``python -m breakerbench.bench.board_process --port 0``.

The first line of its output is the port, or the name of the pseudo-terminal. It ends when its standard
input is closed or its parent goes away.
"""

from __future__ import annotations

import os
import sys
import threading
from argparse import ArgumentParser, Namespace
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import replace

from breakerbench.bench.board import SimulatedBoard
from breakerbench.bench.board_faults import FORMS, faults_of
from breakerbench.bench.board_inputs import SERIAL
from breakerbench.bench.board_serve import Door, PtyDoor, TcpDoor, serve
from breakerbench.bench.charging import CONDENSER_LEVELS, Charging, with_fault
from breakerbench.bench.drive import Drive
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.faults import named_faults, set_condition, with_faults
from breakerbench.bench.model import Bench
from breakerbench.bench.scenario import healthy
from breakerbench.bench.sensors import Encoder
from breakerbench.errors import BadInput

#: Speed plan where none is asked for: steady and slow, up through the range, then steady and fast.
SPEED = "0:300,2:300,8:2500,10:2500"
MOST_RPM = 10_000.0


def options() -> ArgumentParser:
    """Its command line."""
    parser = ArgumentParser(
        prog="python -m breakerbench.bench.board_process",
        description="A SIMULATED board with a simulated distributor on it, in real time.",
        epilog="Example: python -m breakerbench.bench.board_process --port 0 --feed coil",
    )
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--port", type=int, help="TCP port of this machine; 0: picks one")
    where.add_argument("--pty", action="store_true", help="a pseudo-terminal (Unix)")
    add = parser.add_argument
    add("--speed", default=SPEED, metavar="S:RPM,...", help="then the last is held (%(default)s)")
    add("--feed", choices=("dry", "coil", "condenser"), default="dry", help="circuit of the points")
    add("--third", default="supply_v", help="third channel of mode 2, with a coil (%(default)s)")
    add("--encoder-pulses", type=int, default=360, help="a revolution; 0: no encoder (%(default)s)")
    add("--seed", type=int, default=0, help="of all that is left to chance")
    add("--fault", action="append", default=[], metavar="NAME=LEVEL", help="of the distributor")
    add("--condition", action="append", default=[], metavar="NAME", help="of drive and wiring")
    add("--board-fault", action="append", default=[], metavar="NAME=VALUE", help=FORMS)
    add("--gap-mm", type=float, help="contact gap, after the faults: the screw turned")
    add("--serial", default=SERIAL, help="serial number of the board (%(default)s)")
    add("--buffer-s", type=float, default=0.2, help="what it holds for a slow program, s")
    return parser


def bench_of(args: Namespace) -> Bench:
    """The distributor that is asked for. Raises BadInput or ValueError for one that cannot be."""
    bench = healthy()
    bench = replace(bench, drive=Drive(plan_of(args.speed), bench.drive.ripples))
    pulses = args.encoder_pulses
    bench = replace(
        bench, encoder=replace(bench.encoder or Encoder(), pulses=pulses) if pulses else None
    )
    if args.feed == "coil":
        bench = replace(on_a_coil(bench), channels=("points_v", "current_a", args.third))
    if args.feed != "condenser":
        bench = with_faults(bench, args.fault)
    if args.gap_mm is not None:
        if not -1.0 <= args.gap_mm <= 2.0:
            raise BadInput(f"--gap-mm {args.gap_mm:g}", "no gap is that wide", "-1 to 2 mm")
        bench = replace(bench, cam=replace(bench.cam, gap_mm=args.gap_mm))
    for condition in args.condition:
        bench = set_condition(bench, condition.strip())
    return bench


def charging_of(args: Namespace) -> Charging | None:
    """The condenser alone, should that be asked for. Raises BadInput or ValueError."""
    if args.feed != "condenser":
        return None
    test = Charging()
    for name, level in named_faults(args.fault):
        if name in CONDENSER_LEVELS:  # those of the rest of the distributor do not show
            test = with_fault(test, name, level)
    return test


def plan_of(text: str) -> tuple[tuple[float, float], ...]:
    """(s, rpm) of ``0:300,2:300``; one speed alone is held. Raises BadInput for anything else."""
    mend = f"give seconds and rpm as {SPEED}"
    try:
        points = [tuple(float(x) for x in part.split(":")) for part in text.split(",")]
    except ValueError as problem:
        raise BadInput(f"--speed {text}", "is no speed plan", mend) from problem
    if len(points) == 1 and len(points[0]) == 1:
        points = [(0.0, *points[0]), (1.0, *points[0])]
    if any(len(point) != 2 or not 0.0 <= point[1] <= MOST_RPM for point in points):
        raise BadInput(f"--speed {text}", f"speeds lie from 0 to {MOST_RPM:g} rpm", mend)
    return tuple((at, rpm) for at, rpm in points)


def board_of(args: Namespace) -> SimulatedBoard:
    """The board that is asked for. Raises BadInput for one that cannot be."""
    try:
        if args.seed < 0:
            raise ValueError("the seed is below 0")
        if not 0.0 <= args.buffer_s <= 10.0:
            raise ValueError("the buffer holds 0 to 10 s")
        faults = faults_of(args.board_fault, args.seed)
        return SimulatedBoard(
            bench_of(args), args.seed, faults, args.serial, args.buffer_s, charging_of(args)
        )
    except ValueError as problem:
        raise BadInput("simulated board", str(problem), "change that option") from problem


class Over:
    """Whether standard input was closed, or the parent is gone."""

    def __init__(self) -> None:
        self._parent = os.getppid()
        self._closed = threading.Event()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        try:
            while os.read(0, 4096):  # not sys.stdin: its lock would be held as the process ends
                pass
        except OSError:
            pass
        self._closed.set()

    def __call__(self) -> bool:
        return self._closed.is_set() or os.getppid() != self._parent


def main(argv: Sequence[str] | None = None) -> int:
    """Returns the exit status: 0, or 2 where what is asked for cannot be."""
    args = options().parse_args(argv)
    try:
        over = Over()
        board = board_of(args)
        door: Door = PtyDoor() if args.pty else TcpDoor(args.port)
    except (BadInput, OSError, OverflowError) as problem:
        print(problem, file=sys.stderr)
        return 2
    with closing(door):
        print(door.name, flush=True)
        with suppress(KeyboardInterrupt):
            serve(board, door, over)
    return 0


if __name__ == "__main__":
    sys.exit(main())
