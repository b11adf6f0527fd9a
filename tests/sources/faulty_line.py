"""A world in which everything between program and board goes wrong, by a script drawn from a seed.

Time is simulated. Bytes are only ever mixed up with bytes of the same connection since the board last
began: a stream is in order, so nothing else can come in between.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

import numpy as np

from breakerbench.bench.board_faults import BoardFaults
from breakerbench.errors import BadInput
from breakerbench.sources.line import LineLost
from breakerbench.wire.messages import Mode, Reason
from sources.damage import DAMAGES, whole
from sources.tape import Tape, TapedBoard, modes

#: A program that has not come back so long after the last fault never will, s.
HUNG_S = 30.0
#: The program does something else for so long, s, at most.
BUSY_S = 3.0
#: What a bad line still lets through, bytes: answers and states, no samples.
SHORT = 60
#: A board's clock is faster or slower by so much, at most.
FAST = 0.02
#: Bytes more than are known to be from before the board last began: some are doubled on their way.
MARGIN = 64
#: Bytes that a line takes at once.
CHUNK = 1 << 14


class World:
    """Boards, ports and faults of one seed, and the clock of all."""

    kind: type[TapedBoard] = TapedBoard

    def __init__(self, seed: int, mode: Mode | None = None) -> None:
        rng = self.rng = np.random.default_rng(seed)
        self.s = 0.0
        self.log: list[Tape] = []
        self.other_log: list[Tape] = []
        self.mode = modes(rng) if mode is None else mode
        self.every = {
            "index": int(rng.integers(600_000, 3_000_000)),
            "encoder": int(rng.choice([4_000, 20_000, 70_000])),
        }
        self.buffer_s = float(rng.choice([0.008, 0.02, 0.2]))
        # The board's clock against this machine's: much, so that a few seconds show it.
        self.fast = 1.0 + float(rng.choice([0.0, 0.0, FAST, -FAST]))
        self.read_s = float(rng.choice([0.002, 0.01, 0.03]))
        self.name, self.taken_over = "port 0", False
        self.down_until_s = 0.0
        self.flying = b""  # sent by the board, in the system's buffers, taken by no program
        self.lines: list[FaultyLine] = []
        self.count: Counter[str] = Counter()
        self.until_s = float(rng.uniform(0.5, 6.0))
        kinds = list(FAULTS)
        # Some seeds have all kinds mixed, some only a few.
        some = rng.choice(kinds, int(rng.choice([1, 2, 5, len(kinds)])), replace=False)
        many = int(rng.choice([0, 1, 3, 8, 25]))
        at = np.sort(rng.uniform(0.0, self.until_s, many))
        self.script = [(float(s), str(rng.choice(some))) for s in at]
        # And what goes wrong just as a line is opened: the greeting and the start.
        self.at_first = [k for k in some if k in AT_FIRST] if rng.random() < 0.5 else []
        self.born_s = 0.0
        self.failed = 0  # times that the program could not begin
        faults = self._board_faults() if rng.random() < 0.3 else BoardFaults()
        self.own_damage = faults != BoardFaults()
        self.board = self._new_board(faults)

    def _board_faults(self) -> BoardFaults:
        rng = self.rng

        def share(most: float) -> float:
            return float(rng.random() < 0.5) * float(rng.uniform(0.0, most))

        pair = (float(rng.uniform(0.0, 3.0)), int(rng.integers(1, 2000)))
        stall = (float(rng.uniform(0.0, 3.0)), float(rng.uniform(0.0, 2.5)))
        return BoardFaults(
            share(1e-4), share(1e-4), share(1e-4), share(0.05),
            stalls=(stall,) if rng.random() < 0.3 else (),
            resets_s=(float(rng.uniform(0.0, 3.0)),) if rng.random() < 0.3 else (),
            edges_lost=(pair,) if rng.random() < 0.5 else (),
            seed=int(rng.integers(0, 1 << 31)),
        )  # fmt: skip

    def _new_board(self, faults: BoardFaults | None = None) -> TapedBoard:
        self.born_s = self.s
        return self.kind(self.log, self.now, self.mode, self.every, faults, "S1", self.buffer_s)

    # --- clock

    def now(self) -> float:
        return self.s

    def sleep(self, seconds: float) -> None:
        self.s += seconds
        self.pass_by()

    @property
    def calm(self) -> bool:
        return self.s >= self.until_s and not self.script

    def pass_by(self) -> None:
        """What is due by now happens."""
        line = self.lines[-1] if self.lines and self.lines[-1].open else None
        while self.script and self.script[0][0] <= self.s:
            _, kind = self.script.pop(0)
            self.count[kind] += 1
            FAULTS[kind](self, line)
        if self.calm and self.until_s:
            if not self.board.alive:
                self.power_cycle(line)
            self.board.calm()
            self.taken_over = False
            if line is not None:
                line.calm()
            self.down_until_s = min(self.down_until_s, self.s + 3.0)
            self.calm_since_s, self.until_s = self.s, 0.0
        if self.calm and not self.until_s:
            assert self.s < self.calm_since_s + HUNG_S, f"hung; {dict(self.count)}"
        if line is None:
            self.board.give(self.board_s, 0)

    @property
    def board_s(self) -> float:
        return (self.s - self.born_s) * self.fast

    # --- what happens to the board

    def power_cycle(self, line: FaultyLine | None) -> None:
        self.flying = b""
        self.lose(line, "device disconnected", float(self.rng.uniform(0.0, 2.0)))
        self.board = self._new_board()

    def lose(self, line: FaultyLine | None, why: str, down_s: float = 0.0) -> None:
        self.down_until_s = max(self.down_until_s, self.s + down_s)
        if line is not None:
            line.dead = why

    def rename(self, line: FaultyLine | None) -> None:
        self.lose(line, "device disconnected", float(self.rng.uniform(0.0, 1.0)))
        self.name = f"port {int(self.name.split()[1]) + 1}"
        self.taken_over = bool(self.rng.random() < 0.5)

    # --- what the program calls

    def opener(self, port: str) -> FaultyLine:
        self.s += 0.01
        self.pass_by()
        if port == self.name and self.s >= self.down_until_s:
            if self.rng.random() < 0.5:
                self.flying = b""
            self.lines.append(FaultyLine(self, self.board))
        elif port != self.name and self.taken_over:
            other = self.kind(self.other_log, self.now, self.mode, self.every, serial="S2")
            self.lines.append(FaultyLine(self, other))
        elif self.rng.random() < 0.5:
            raise LineLost("no such port")
        else:
            raise BadInput(port, "there is no such port")
        line = self.lines[-1]
        if self.at_first and not self.calm and self.rng.random() < 0.5:
            kind = str(self.rng.choice(self.at_first))
            self.count[kind] += 1
            FAULTS[kind](self, line)
        return line

    def finder(self, serial: str) -> str | None:
        there = serial == "S1" and self.s >= self.down_until_s
        return self.name if there else None


class FaultyLine:
    """One connection. ``came`` is all that the program got, ``sent`` all that the board gave."""

    def __init__(self, world: World, board: TapedBoard) -> None:
        self.world, self.board = world, board
        self.born_s = world.born_s if board is world.board else world.s
        self.sent, self.came = bytearray(), bytearray()
        self.held = world.flying if board is world.board else b""
        self.sent += self.held
        world.flying = b""
        self.open, self.dead = True, ""
        # So many bytes of ``sent`` are from before the board last began; of ``came``, all before this.
        self.stale, self.fresh_at = len(self.held) + board.stale, 0
        self.damage: list[str] = []
        self.command = ""
        self.late: list[tuple[float, bytes]] = []
        self.muted_until_s = self.held_until_s = self.short_until_s = 0.0

    def calm(self) -> None:
        self.damage, self.command = [], ""
        self.muted_until_s = self.held_until_s = self.short_until_s = 0.0

    def read(self) -> bytes:
        assert self.open, "read after close"
        world = self.world
        world.s += world.read_s * float(world.rng.uniform(0.2, 1.8))
        world.pass_by()
        while self.late and self.late[0][0] <= world.s:
            self.board.take(self.late.pop(0)[1])
        if self.dead == "half":
            self.dead = "gone in mid-frame"
            data = self.held + self._given()
            self.came += (part := data[: int(world.rng.integers(0, len(data) + 1))])
            return part
        if self.dead:
            raise LineLost(self.dead)
        data = self._given()
        if world.s < self.muted_until_s:
            return b""
        self.held += data
        if world.s < self.held_until_s:
            return b""
        data, self.held = self.held, b""
        old = len(self.sent) - len(data) < self.stale + MARGIN
        if world.s < self.short_until_s:
            data = b"".join(frame for frame in whole(data) if len(frame) < SHORT)
        if data and self.damage:
            data = self._damaged(data)
        self.came += data
        if old:
            self.fresh_at = len(self.came)
        return data

    def _given(self) -> bytes:
        data = self.board.give((self.world.s - self.born_s) * self.world.fast, CHUNK)
        self.sent += data
        return data

    def _damaged(self, data: bytes) -> bytes:
        kinds, self.damage = self.damage, []
        came = bytes(self.came[self.fresh_at :])
        for kind in kinds:
            if data:
                data = DAMAGES[kind](data, came, self.world.rng)
        return data

    def write(self, data: bytes) -> None:
        rng, kind = self.world.rng, self.command
        self.command = ""
        if self.dead:
            raise LineLost(self.dead)
        if kind == "lost":
            return
        if kind == "late":
            self.late.append((self.world.s + float(rng.uniform(0.05, 2.0)), data))
            return
        if self.late:  # what was written later does not come earlier
            self.late.append((self.late[-1][0], data))
            return
        if kind == "damaged":
            spoiled = bytearray(data)
            spoiled[int(rng.integers(0, len(data)))] ^= 1 << int(rng.integers(0, 8))
            data = bytes(spoiled)
        self.board.take(data)
        if kind == "twice":
            self.board.take(data)

    def close(self) -> None:
        self.open = False
        self.world.flying = self.held if self.board is self.world.board else b""


# --- what can go wrong


def _damage(kind: str) -> Callable[[World, FaultyLine | None], None]:
    return lambda _, line: None if line is None else line.damage.append(kind)


def _command(kind: str) -> Callable[[World, FaultyLine | None], None]:
    return lambda _, line: None if line is None else setattr(line, "command", kind)


def _crash(says_so: bool) -> Callable[[World, FaultyLine | None], None]:
    def crash(world: World, line: FaultyLine | None) -> None:
        world.board.crash(world.rng, says_so)
        if line is not None:
            line.stale = len(line.sent) + world.board.stale

    return crash


def _wait(name: str, most_s: float) -> Callable[[World, FaultyLine | None], None]:
    def wait(world: World, line: FaultyLine | None) -> None:
        if line is not None:
            setattr(line, name, world.s + float(world.rng.uniform(0.02, most_s)))

    return wait


def _busy(world: World, _: FaultyLine | None) -> None:
    world.s += float(world.rng.uniform(0.05, BUSY_S))


FAULTS: Mapping[str, Callable[[World, FaultyLine | None], None]] = {
    **{kind: _damage(kind) for kind in DAMAGES},
    **{f"command {kind}": _command(kind) for kind in ("lost", "late", "twice", "damaged")},
    "exception": lambda w, line: w.lose(line, "device disconnected", float(w.rng.uniform(0, 2))),
    "half, then exception": lambda w, line: w.lose(line, "half", float(w.rng.uniform(0, 2))),
    "socket reset": lambda w, line: w.lose(line, "connection reset"),
    "power": World.power_cycle,
    "renamed": World.rename,
    "watchdog": _crash(True),
    "watchdog, unsaid": _crash(False),
    "silence": _wait("muted_until_s", 4.0),
    "late": _wait("held_until_s", 4.0),
    "empty reads": _wait("held_until_s", 0.1),
    "long frames lost": _wait("short_until_s", 1.0),
    "program busy": _busy,
    "board hangs": lambda w, _: w.board.hang(),
    "board stops": lambda w, _: w.board.halt(Reason.OVERRUN),
    "board stops, unsaid": lambda w, _: w.board.halt(Reason.OVERRUN, says_so=False),
}

#: Those that may come as a line is opened.
AT_FIRST = frozenset(FAULTS) - {"board stops", "board stops, unsaid", "renamed", "power"}
