"""The whole connection under random faults: from the board's bytes to the recording read back.

Held against what each capture sampled: nothing wrong comes out, nothing is missing in silence. What can
not be reached here: see ``faulty_line``. What the parts do alone: test_port, test_capture, test_frames.
"""

from __future__ import annotations

import zlib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs

from breakerbench.errors import BadInput
from breakerbench.sources.port import ANSWER_S, PortSource
from breakerbench.sources.recording import RecordingSource, RecordingWriter
from breakerbench.trace import Block, EdgeTimes, Event, Hole
from breakerbench.wire.messages import Reply, Start, Started, State, Status, Stopped
from breakerbench.wire.receive import RECENT
from sources.faulty_line import BUSY_S, FAST, FaultyLine, World
from sources.tape import TICK_S, Tape

EDGES = ("index", "encoder")


@dataclass
class Ran:
    """events; ``begins``: (number of the event, row) of each stretch that one capture gave."""

    world: World
    port: PortSource
    events: list[Event] = field(default_factory=list)
    asked: bool = False

    @property
    def says(self) -> str:
        return f"{dict(self.world.count)}; ended {self.port.ended!r}; {self.port.health}"


def opened(world: World, **told: object) -> PortSource:
    """As a person does: tried again until it goes, and it is the right board."""
    while True:
        try:
            port = PortSource(
                world.name, opener=world.opener, finder=world.finder, now=world.now,
                sleep=world.sleep, **told,
            )  # fmt: skip
            if port.board.identity.serial == "S1":
                return port
            port.close()
        except BadInput:
            assert world.count or world.own_damage, "nothing was wrong, and it would not begin"
        world.failed += 1
        world.sleep(0.5)


def run(seed: int, path: Path) -> Ran:
    """One connection until everything has been in order for a while, recorded."""
    world = World(seed)
    ran = Ran(world, opened(world))
    early_s = float(world.rng.uniform(0.0, 6.0)) if world.rng.random() < 0.15 else np.inf
    calm_rows = 0
    with RecordingWriter(path, ran.port.header) as writer:
        for event in ran.port:
            ran.events.append(event)
            writer.write(event)
            if world.rng.random() < 0.01:
                writer.flush()
            if isinstance(event, Block) and world.calm:
                calm_rows += len(event)
            if not ran.asked and (calm_rows > 5000 or world.s > early_s):
                ran.port.stop()
                ran.asked = True
    ran.port.close()
    return ran


def stretches(events: list[Event]) -> list[list[Event]]:
    """Cut where the board was away: each is of one capture."""
    parts: list[list[Event]] = [[]]
    for event in events:
        if isinstance(event, Hole) and event.reason.startswith("the board was away"):
            parts.append([])
        else:
            parts[-1].append(event)
    return parts


def begins(events: list[Event]) -> list[int]:
    """Row that is row 0 of the capture of each stretch."""
    return [0] + [
        e.end for e in events if isinstance(e, Hole) and e.reason.startswith("the board was away")
    ]


def hold_rows(ran: Ran) -> None:
    """In order, without overlap; all missing ones lie within a hole; all equal to what was sampled."""
    row = 0
    for event in ran.events:
        if isinstance(event, EdgeTimes):
            continue
        assert event.first == row, ran.says
        row = event.first + len(event) if isinstance(event, Block) else event.end
        assert row >= event.first
    last, since = -1, None
    for part, begin in zip(stretches(ran.events), begins(ran.events), strict=True):
        blocks = [e for e in part if isinstance(e, Block)]
        tape = tape_of(ran, [e for e in blocks if len(e) > 3], begin)
        if tape is None:
            assert not [e for e in blocks if len(e) > 3], ran.says
            continue
        assert tape.capture > last, ran.says
        last = tape.capture
        for block in blocks:
            truth = tape.counts(block.first - begin, len(block))
            assert np.array_equal(np.array(block.samples), truth), ran.says
        hold_edges(ran, part, tape, begin)
        # It begins in the trace when it began in the world, but for the times of both answers.
        since = since or (tape, begin)
        true_s = tape.begun_s - since[0].begun_s
        off_s = (begin - since[1]) / ran.port.header.sample_rate_hz - true_s
        assert abs(off_s) < ANSWER_S + BUSY_S + FAST * ran.world.s, ran.says


def tape_of(ran: Ran, blocks: list[Block], begin: int) -> Tape | None:
    """The capture that these blocks are of."""
    for tape in ran.world.log:
        if blocks and np.array_equal(
            np.array(blocks[0].samples), tape.counts(blocks[0].first - begin, len(blocks[0]))
        ):
            return tape
    return None


def hold_edges(ran: Ran, part: list[Event], tape: Tape, begin: int) -> None:
    """Every edge true to the bit, none twice; where one is missing a hole stands between."""
    rate = ran.port.header.sample_rate_hz
    for name in EDGES:
        after = 0  # the edge that comes next, if nothing is lost
        broken = begin > 0  # a hole has come since the last edge
        for event in part:
            if isinstance(event, Hole):
                broken = True
            if not isinstance(event, EdgeTimes) or event.name != name:
                continue
            ticks, rising = truth_about(tape, name, event.time_s - begin / rate)
            time_s = ticks * TICK_S + begin / rate if begin else ticks * TICK_S
            at = np.searchsorted(time_s, event.time_s)
            assert np.array_equal(time_s[np.minimum(at, len(ticks) - 1)], event.time_s), ran.says
            assert np.array_equal(rising[at], event.rising), ran.says
            assert (np.diff(at) == 1).all(), f"edges passed over in silence; {ran.says}"
            first = number_of(tape, name, int(ticks[at[0]]))
            assert first >= after, ran.says
            assert first == after or broken, f"edges passed over in silence; {ran.says}"
            after, broken = first + len(at), False


def truth_about(tape: Tape, name: str, about_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    first, end = int(about_s[0] / TICK_S), int(about_s[-1] / TICK_S)
    return tape.edges(name, max(first - 100, 0), end + 100)


def number_of(tape: Tape, name: str, tick: int) -> int:
    """How many edges of the tape lie before this tick."""
    every = tape.every[name]
    whole = tick // every
    return whole + len(tape.edges(name, whole * every, tick)[0])


def plain(events: list[Event]) -> tuple[list[object], dict[str, list[object]]]:
    """(rows and holes, edges and holes of each channel), whatever the blocks were."""
    rows: list[object] = []
    edges: dict[str, list[object]] = {name: [] for name in EDGES}
    for event in events:
        if isinstance(event, Hole):
            for each in (rows, *edges.values()):
                each.append((event.first, event.end, event.frames, event.reason))
        elif isinstance(event, Block):
            counts = np.array(event.samples)
            if rows and isinstance(rows[-1], np.ndarray):
                rows[-1] = np.concatenate((rows[-1], counts), axis=1)
            else:
                rows.append(counts)
        else:
            edges[event.name] += zip(event.time_s.tolist(), event.rising.tolist(), strict=True)
    return [r.tobytes() if isinstance(r, np.ndarray) else r for r in rows], edges


def hold_recording(ran: Ran, path: Path) -> None:
    source = RecordingSource(path)
    try:
        assert source.header == ran.port.header
        live, after = plain(ran.events), plain(list(source))
    finally:
        source.close()
    assert live[0] == after[0], ran.says
    for name in EDGES:
        assert live[1][name] == after[1][name], f"{name}; {ran.says}"


def counted(line: FaultyLine) -> Counter[str] | None:
    """What the link should have counted, by its bytes alone; None where frames changed places."""
    known: dict[bytes, bytes] = {}
    for frame in bytes(line.sent).split(b"\0"):
        try:
            plain = cobs.decode(frame)
        except cobs.DecodeError:  # cut by a restart, or where the line was opened
            continue
        if zlib.crc32(plain[:-4]).to_bytes(4, "little") == plain[-4:] != b"":
            known[frame] = plain
    count: Counter[str] = Counter(bytes=len(line.came))
    came: list[bytes] = []
    last, lost, over = -1, 0, True
    for chunk in bytes(line.came).split(b"\0")[:-1]:
        if chunk not in known:
            count["refused"] += bool(chunk)
            continue
        if chunk in came[-RECENT:]:
            count["doubled"] += 1
            continue
        kind, number, body = (
            known[chunk][0],
            int.from_bytes(known[chunk][1:5], "little"),
            known[chunk][13:-4],
        )
        if came and number <= last:
            return None
        gap = number - last - 1 if came else 0
        count["missing"] += gap
        lost += 0 if over else gap
        if kind == Started.CODE:
            lost, over = 0, False
        elif kind == Reply.CODE and Reply.unpack(body).command == Start.CODE:
            count["captures"] += 1  # the program has taken it
        over = over or kind == Stopped.CODE or (kind == Status.CODE and body[0] != State.CAPTURING)
        last = number
        came.append(chunk)
    count["of a capture"] = lost if count["captures"] else 0
    count["frames"] = len(came)
    return count


def hold_counts(ran: Ran) -> bool:
    """Whether they could be told, and then were right."""
    if ran.world.own_damage:  # the board's own wire had damaged them before
        return False
    lines = [counted(line) for line in ran.world.lines]
    got = ran.port.counts
    if None in lines or ran.world.failed or got.anew:
        return False
    total = sum((each for each in lines if each is not None), Counter())
    for name in ("bytes", "frames", "refused", "missing", "doubled"):
        assert getattr(got, name) == total[name], (name, ran.says)
    frames = sum(e.frames for e in ran.events if isinstance(e, Hole))
    assert frames == total["of a capture"], ran.says
    return True


def hold_end(ran: Ran) -> None:
    """It ended as asked, or says why not; no port is left open."""
    if not ran.asked:
        assert ran.port.ended not in (None, "stopped as asked"), ran.says
    assert not [line for line in ran.world.lines if line.open], ran.says


def fuzz(seeds: range, folder: Path) -> Counter[str]:
    did: Counter[str] = Counter()
    for seed in seeds:
        path = folder / f"{seed}.bbr"
        try:
            ran = run(seed, path)
            hold_rows(ran)
            hold_recording(ran, path)
            did["counters told"] += hold_counts(ran)
            hold_end(ran)
        except BaseException as error:
            error.add_note(f"seed {seed}")
            raise
        did.update(ran.world.count)
        did[f"ended: {ran.port.ended}"] += 1
        did["rows"] += sum(len(e) for e in ran.events if isinstance(e, Block))
        did["was away"] += ran.port.health.lost
        path.unlink()
    return did


def test_a_connection_under_random_faults(tmp_path: Path) -> None:
    did = fuzz(range(60), tmp_path)
    assert did["rows"] > 1_000_000
    assert did["was away"] > 30
    assert did["counters told"] > 10


@pytest.mark.sweep
@pytest.mark.parametrize("part", range(10))
def test_thousands_of_connections(part: int, tmp_path: Path) -> None:
    for what, many in sorted(fuzz(range(1000 + 150 * part, 1150 + 150 * part), tmp_path).items()):
        print(f"{many:10,} {what}")
