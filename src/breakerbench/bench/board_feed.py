"""The simulated bench as counts and edges for the emulated board.

``python -m breakerbench.bench.board_feed | node firmware/emulator/run.mjs --bench ...``

What it writes to standard output is described in ``firmware/emulator/bench.mjs``: a line of JSON, then
blocks of rows and of the edges in them, as fast as they are taken. It ends when nobody reads on.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np

from breakerbench.bench.board_inputs import Inputs, inputs_of
from breakerbench.bench.board_process import bench_of, options
from breakerbench.bench.endless import Endless, Stamps
from breakerbench.bench.model import Bench
from breakerbench.errors import BadInput
from breakerbench.wire.messages import Input

#: Rows in a block.
BLOCK_ROWS = 5000
#: Pins by their number in a block.
PINS = ("index", "encoder")
EDGE = np.dtype([("tick", "<u8"), ("pin", "u1"), ("level", "u1"), ("none", "u1", (6,))])


class Pulses:
    """Puts a falling edge after each rising one of an encoder of which the bench tells the rising alone.

    It comes after four tenths of the spacing before, or of that to the next where this is shorter.
    """

    def __init__(self) -> None:
        self._rise = 0
        self._fall: int | None = None  # of a later block

    def take(self, stamps: Stamps, end: int) -> Stamps:
        """Edges of a block that ends at a tick, those that go down put in."""
        ticks, rising = stamps
        if not rising.all():
            return stamps
        spacing = np.diff(ticks, prepend=self._rise)
        falls = ticks + np.maximum(2 * spacing // 5, 1)
        falls[:-1] = np.minimum(falls[:-1], ticks[:-1] + spacing[1:] // 2)
        held = [] if self._fall is None else [self._fall]
        if len(ticks):
            self._rise = int(ticks[-1])
            if held and held[0] >= ticks[0]:
                held[0] = int(ticks[0]) - 1
        falls = np.concatenate((np.array(held, np.int64), falls))
        later = falls >= end
        self._fall = int(falls[-1]) if later.any() else None
        falls = falls[~later]
        both = np.concatenate((ticks, falls))
        up = np.concatenate((rising, np.zeros(len(falls), bool)))
        order = np.argsort(both, kind="stable")
        return both[order], up[order]


def designed(bench: Bench) -> Bench:
    """With the ranges that the board's inputs are designed for (``firmware/core/inputs.c``)."""
    return replace(
        bench, points_range_v=50.0, current_range_a=10.0, supply_range_v=20.0, contact_range_v=2.5
    )


def feed(inputs: Inputs, mode: int, seed: int, rows: int, give: Callable[[bytes], None]) -> None:
    """Gives a bench's first rows in this mode, and the end of it.

    rows  how many; 0: without end
    """
    told = inputs.modes[mode]
    bench = Endless(inputs.benches[mode], seed, told.row_ticks)
    names = [Input(n).name.lower() for n in (told.first, told.second, told.third) if n]
    give(json.dumps({"inputs": names, "row_ticks": told.row_ticks}).encode() + b"\n")
    given = 0
    pulses = Pulses()
    while not rows or given < rows:
        many = min(BLOCK_ROWS, rows - given) if rows else BLOCK_ROWS
        counts, stamps = bench.take(many)
        if "encoder" in stamps:
            stamps["encoder"] = pulses.take(stamps["encoder"], (given + many) * told.row_ticks)
        edges = np.zeros(sum(len(ticks) for ticks, _ in stamps.values()), EDGE)
        at = 0
        for name, (ticks, rising) in stamps.items():
            part = edges[at : at + len(ticks)]
            part["tick"], part["level"], part["pin"] = ticks, rising, PINS.index(name)
            at += len(ticks)
        edges = edges[np.argsort(edges["tick"], kind="stable")]
        samples = np.ascontiguousarray(counts.T, "<u2")
        give(struct.pack("<2I", many, len(edges)) + samples.tobytes() + edges.tobytes())
        given += many
    give(struct.pack("<2I", 0, 0))


def main(argv: Sequence[str] | None = None) -> int:
    """Returns the exit status: 0, or 2 where what is asked for cannot be."""
    parser = options()
    parser.prog = "python -m breakerbench.bench.board_feed"
    parser.add_argument("--mode", type=int, default=1, help="capture mode, 1 or 2 (%(default)s)")
    parser.add_argument("--rows", type=int, default=0, help="how many; 0: without end")
    words = list(sys.argv[1:] if argv is None else argv)
    args = parser.parse_args(["--port", "0", *words])
    try:
        inputs = inputs_of(designed(bench_of(args)))
        if args.mode not in inputs.modes:
            raise BadInput(f"--mode {args.mode}", "there is no such mode", "mode 2 needs a coil")
    except (BadInput, ValueError) as problem:
        print(problem, file=sys.stderr)
        return 2

    def give(data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(1, view) :]

    with suppress(BrokenPipeError):
        feed(inputs, args.mode, args.seed, args.rows, give)
    return 0


if __name__ == "__main__":
    sys.exit(main())
