"""Writing a Breakerbench recording: append-only, whole to the last block whatever happens."""

from __future__ import annotations

import contextlib
import errno
import os
from collections import deque
from collections.abc import Callable
from io import FileIO

import numpy as np

from breakerbench.errors import BadInput
from breakerbench.sources import container
from breakerbench.sources.container import BlockHeader, crc32c
from breakerbench.sources.edge_groups import encode_edges
from breakerbench.sources.files import Closing, StrPath, cannot_write, written_beside
from breakerbench.sources.header_text import encode_header
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole, Samples, Source

#: At most this much of a trace, and the newest block, waits in memory before it is written, s.
BLOCK_S = 0.6

_INT16 = np.dtype("<i2")
_FLOAT32 = np.dtype("<f4")


class RecordingWriter(Closing):
    """Writes events to a new recording as they come.

    ``write`` keeps at most BLOCK_S of the trace and the newest block in memory; ``flush`` writes
    what is there and has the system put it on the disk; ``close`` does so and marks the end.
    Raises BadInput when the file exists already or cannot be written (disk full: the recording ends
    with its last whole block), ValueError for events that are not a trace (times going back, a
    wrong number of channels, samples that are not finite).
    """

    def __init__(self, path: StrPath, header: Header) -> None:
        self.path = path
        self.header = header
        text, self._stamp = container.pack_file_header(encode_header(header))
        self._block_samples = min(
            container.MAX_COUNT, max(16, int(np.ceil(BLOCK_S * header.sample_rate_hz)))
        )
        self._sequence = 0
        self._end = 0  # one past the last sample written or told as lost
        self._blocks: deque[Block] = deque()
        self._waiting = 0
        self._edges: list[list[EdgeTimes]] = [[] for _ in header.edge_channels]
        self._edge_rows = {channel.name: n for n, channel in enumerate(header.edge_channels)}
        self._last_edge_s = [-np.inf] * len(header.edge_channels)
        self._size = 0  # of all that is whole in the file
        try:
            self._file: FileIO | None = FileIO(os.fspath(path), "xb")
        except OSError as error:
            raise cannot_write(path, error) from error
        try:
            self._append(text)
        except BaseException:
            self.abandon()
            os.unlink(path)
            raise

    def write(self, event: Event) -> None:
        """Add one event; it may stay in memory until the next. It is copied."""
        try:
            if isinstance(event, Block):
                self._add_block(event)
            elif isinstance(event, EdgeTimes):
                self._add_edges(event)
            else:
                self._add_hole(event)
        except ValueError:
            raise  # refused before anything was changed
        except BaseException:
            self.abandon()
            raise

    def flush(self) -> None:
        """Write all that was given so far and have the system put it on the disk."""
        self._write_waiting(all_edges=True)
        self._sync()

    def close(self) -> None:
        """Write what is left and the end block; afterwards nothing can be added."""
        if self._file is None:
            return
        try:
            self._write_waiting(all_edges=True)
            self._append_block(container.END, self._end, 0, [])
            self._sync()
        finally:
            self.abandon()

    def abandon(self) -> None:
        """Close the file at its last whole block, without an end block."""
        file, self._file = self._file, None
        if file is not None:
            with file, contextlib.suppress(OSError):
                file.truncate(self._size)

    def _add_block(self, block: Block) -> None:
        samples = block.samples
        if len(samples) != len(self.header.channels) or len({len(s) for s in samples}) > 1:
            raise ValueError("a block has not the channels of its header, all of one length")
        if any(s.dtype not in (_INT16, _FLOAT32) or s.ndim != 1 for s in samples):
            raise ValueError("samples are neither int16 nor float32")
        if len(block) == 0:
            return
        # The edges of all that waits are known now: they come before the next block does.
        expected = self._end + self._waiting
        if not expected <= block.first <= container.MAX_CLOCK - len(block):
            raise ValueError(f"a block begins at sample {block.first}, expected {expected}")
        if not all(np.isfinite(s).all() for s in samples if s.dtype == _FLOAT32):
            raise ValueError(f"samples after {block.first} are not finite")
        if block.first > expected:
            self._write_waiting(all_edges=False)
            self._end = block.first
        while self._waiting >= self._block_samples:
            self._write_samples(self._block_samples)
        self._blocks.append(Block(block.first, tuple(s.copy() for s in samples)))
        self._waiting += len(block)

    def _add_edges(self, edges: EdgeTimes) -> None:
        row = self._edge_rows.get(edges.name)
        time_s = np.array(edges.time_s, np.float64)
        if row is None or time_s.shape != edges.rising.shape:
            raise ValueError(f"edges of {edges.name!r} do not fit the header")
        if time_s.size == 0:
            return
        steps = np.diff(time_s, prepend=self._last_edge_s[row])
        if not (np.isfinite(time_s).all() and (steps >= 0).all()):
            raise ValueError(f"times of {edges.name} are not in order")
        self._last_edge_s[row] = float(time_s[-1])
        waiting = self._edges[row]
        waiting.append(EdgeTimes(edges.name, time_s, np.array(edges.rising, np.bool_)))
        if sum(len(e.time_s) for e in waiting) > container.MAX_EDGES:
            self._write_waiting(all_edges=True)

    def _add_hole(self, hole: Hole) -> None:
        expected = self._end + self._waiting
        if not expected <= hole.first <= hole.end <= container.MAX_CLOCK or hole.frames < 0:
            raise ValueError(f"a hole from {hole.first} to {hole.end} after sample {expected}")
        # What came before the hole does not belong to what comes after it, rows of its own or not.
        self._write_waiting(all_edges=True)
        reason = hole.reason.encode(errors="replace")[: container.MAX_REASON]
        frames = min(hole.frames, 0xFFFFFFFF)
        payload = container.HOLE_PAYLOAD.pack(hole.end, frames) + reason
        self._append_block(container.HOLE, hole.first, 0, [payload])
        self._end = hole.end

    def _write_waiting(self, all_edges: bool) -> None:
        while self._waiting:
            self._write_samples(min(self._waiting, self._block_samples))
        if all_edges:
            while any(self._edges):
                self._append_block(container.INT16, self._end, 0, self._take_edges(float("inf")))

    def _write_samples(self, count: int) -> None:
        """Take ``count`` waiting samples, and the edges up to their end, into one block."""
        pieces: list[tuple[Samples, ...]] = []
        first = self._blocks[0].first
        wanted = count
        while wanted:
            block = self._blocks.popleft()
            pieces.append(tuple(s[:wanted] for s in block.samples))
            if len(block) > wanted:
                rest = tuple(s[wanted:] for s in block.samples)
                self._blocks.appendleft(Block(block.first + wanted, rest))
            wanted -= min(wanted, len(block))
        kind = container.INT16
        dtype: np.dtype[np.int16] | np.dtype[np.float32] = _INT16
        if any(s.dtype == _FLOAT32 for piece in pieces for s in piece):
            kind, dtype = container.FLOAT32, _FLOAT32  # int16 is exact in float32
        samples = [
            np.ascontiguousarray(piece[row], dtype).tobytes()
            for row in range(len(self.header.channels))
            for piece in pieces
        ]
        end = first + count
        edges = self._take_edges(end / self.header.sample_rate_hz)
        self._append_block(kind, first, count, samples + edges)
        self._waiting -= count
        self._end = end

    def _take_edges(self, end_s: float) -> list[bytes]:
        """Groups of the waiting edges before ``end_s``, which then wait no longer."""
        groups = []
        for row, waiting in enumerate(self._edges):
            if not waiting:
                continue
            name = waiting[0].name
            time_s = np.concatenate([e.time_s for e in waiting])
            rising = np.concatenate([e.rising for e in waiting])
            n = min(int(np.searchsorted(time_s, end_s)), container.MAX_EDGES)
            if n:
                resolution_s = self.header.edge_channels[row].resolution_s
                groups.append(
                    encode_edges(row, resolution_s, EdgeTimes(name, time_s[:n], rising[:n]))
                )
            self._edges[row] = [EdgeTimes(name, time_s[n:], rising[n:])] if n < len(time_s) else []
        return groups

    def _append_block(self, kind: int, clock: int, count: int, pieces: list[bytes]) -> None:
        payload = b"".join(pieces)
        header = BlockHeader(len(payload), kind, self._sequence, count, clock, crc32c(payload))
        self._append(header.pack(self._stamp) + payload)
        self._sequence += 1

    def _append(self, data: bytes) -> None:
        file = self._open()
        view = memoryview(data)
        try:
            while view:
                written = file.write(view)
                if not written:
                    raise OSError(errno.EIO, "nothing was written")
                view = view[written:]
        except OSError as error:
            self.abandon()
            raise cannot_write(self.path, error) from error
        self._size += len(data)

    def _sync(self) -> None:
        try:
            os.fsync(self._open().fileno())
        except OSError as error:
            self.abandon()
            raise cannot_write(self.path, error) from error

    def _open(self) -> FileIO:
        if self._file is None:
            raise ValueError("the recording is closed")
        return self._file


def write_recording(
    path: StrPath, source: Source, progress: Callable[[float, float], None] | None = None
) -> None:
    """Write all of ``source`` to a recording at ``path``: beside it first, then renamed.

    ``progress`` is told done and total after every event. On any failure or interruption nothing is
    left behind, and what stood at ``path`` before stands there still.
    """
    with written_beside(path) as beside:
        try:
            writer = RecordingWriter(beside, source.header)
        except BadInput as error:
            raise BadInput(os.fspath(path), error.what, error.mend) from error
        try:
            for event in source:
                writer.write(event)
                if progress is not None:
                    progress(*source.progress())
            writer.close()
        except BadInput as error:
            if error.where == os.fspath(beside):
                raise BadInput(os.fspath(path), error.what, error.mend) from error
            raise
        finally:
            writer.abandon()
