"""Reading a Breakerbench recording (.bbr), whole to the last block after a cut.

The layout is in ``container``. The reader trusts nothing: every block is checked by its CRC; what
fails is skipped and told as a hole, and reading goes on at the next block that belongs to this
recording. Nothing is yielded that was not written.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import numpy as np

from breakerbench.errors import BadInput
from breakerbench.sources import container
from breakerbench.sources.container import (
    BLOCK_HEADER,
    FILE_HEADER,
    MAGIC,
    MARKER,
    BlockHeader,
    crc32c,
)
from breakerbench.sources.edge_groups import decode_edges
from breakerbench.sources.files import Closing, StrPath, open_regular, printable, reason
from breakerbench.sources.header_text import HeaderError, decode_header
from breakerbench.sources.options import ImportOptions
from breakerbench.sources.recording_writer import RecordingWriter, write_recording
from breakerbench.trace import Block, EdgeTimes, Event, Header, Hole

__all__ = ["RecordingSource", "RecordingWriter", "write_recording"]

_SEARCH_BYTES = 1 << 20
_MAX_FAULTS = 100_000
_DTYPES: dict[int, np.dtype[Any]] = {
    container.INT16: np.dtype("<i2"),
    container.FLOAT32: np.dtype("<f4"),
}


class RecordingSource(Closing):
    """A recording as a source. The header is read at once, the blocks as they are asked for.

    Raises BadInput for a file that is not a recording, whose header is damaged, whose layout is
    newer than this program, or that is damaged beyond use. Damaged blocks are no error: each loss
    is a hole with its reason. A hole may be empty (``first == end``): something was lost there
    though no samples are missing, as at the end of a file that was cut between two blocks.
    What ``options`` tell stands before what the header says; columns, scales and delays it has of
    its own. Samples are read-only views of the bytes read. One iteration at a time; a second begins
    again.
    """

    def __init__(self, path: StrPath, options: ImportOptions | None = None) -> None:
        self._where = os.fspath(path)
        self._file, self._size = open_regular(path)
        self._at = 0
        self._position = 0  # of the file
        try:
            self._header = (options or ImportOptions()).told(self._read_header(), self._where)
        except BaseException:
            self._file.close()
            raise
        self._start = self._at

    @property
    def header(self) -> Header:
        return self._header

    def progress(self) -> tuple[float, float]:
        """Bytes read and bytes there are."""
        return min(self._at, self._size), self._size

    def close(self) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Event]:
        sequence = 0  # of the block that comes next
        expected = 0  # sample number that comes next
        refused = 0  # blocks refused since the last good one
        reach = 0  # how far they went, where their headers were sound
        last_edge_s: dict[str, float] = {}
        for header, payload in self._blocks():
            events = None if payload is None else self._decode(header, payload, last_edge_s)
            missing = header.sequence - sequence
            if events is None or missing < 0 or header.clock < expected:
                if missing >= 0:
                    refused += 1
                    reach = max(reach, header.clock + header.samples)
                continue
            if missing:
                yield Hole(expected, header.clock, missing, "blocks of the file are damaged")
            elif header.clock > expected:
                yield Hole(expected, header.clock, 0, "the clock went on without data")
            if header.kind == container.END:
                return
            sequence, expected = header.sequence + 1, header.clock + header.samples
            refused = reach = 0
            for event in events:
                if isinstance(event, Hole):
                    expected = event.end
                elif isinstance(event, EdgeTimes):
                    last_edge_s[event.name] = float(event.time_s[-1])
                yield event
        yield Hole(expected, max(expected, reach), refused, "the file was cut short")

    def _decode(
        self, header: BlockHeader, payload: bytes, last_edge_s: dict[str, float]
    ) -> list[Event] | None:
        """What a block holds, or None where its CRC is right and its content is not sound."""
        if header.kind in (container.END, container.HOLE) and header.samples:
            return None
        if header.kind == container.END:
            return []
        if header.kind == container.HOLE:
            return self._decode_hole(header, payload)
        dtype = _DTYPES.get(header.kind)
        if dtype is None:
            return None
        count = header.samples
        rows = len(self._header.channels)
        length = rows * count * dtype.itemsize
        if length > len(payload):
            return None
        samples = tuple(
            np.frombuffer(payload, dtype, count, row * count * dtype.itemsize)
            for row in range(rows)
        )
        if header.kind == container.FLOAT32 and not all(np.isfinite(s).all() for s in samples):
            return None
        events: list[Event] = []
        if length < len(payload):
            edges = decode_edges(memoryview(payload)[length:], self._header)
            if edges is None or any(e.time_s[0] < last_edge_s.get(e.name, -np.inf) for e in edges):
                return None
            events.extend(edges)
        if count and rows:
            events.append(Block(header.clock, samples))
        return events

    @staticmethod
    def _decode_hole(header: BlockHeader, payload: bytes) -> list[Event] | None:
        size = container.HOLE_PAYLOAD.size
        if not size <= len(payload) <= size + container.MAX_REASON:
            return None
        end, frames = container.HOLE_PAYLOAD.unpack_from(payload)
        if not header.clock <= end <= container.MAX_CLOCK:
            return None
        why = printable(payload[size:].decode(errors="replace"), container.MAX_REASON)
        return [Hole(header.clock, end, frames, why)]

    def _blocks(self) -> Iterator[tuple[BlockHeader, bytes | None]]:
        """Every block with a sound header, in the order of the file; None for a bad payload."""
        self._at = self._start
        self._budget = 4 * self._size + (1 << 26)  # damage is read again, but not without end
        self._faults = 0
        header = self._header_at(self._at)
        while header is not None or (header := self._search()) is not None:
            payload = self._read(self._at + BLOCK_HEADER.size, header.length)
            beyond = self._at + BLOCK_HEADER.size + header.length
            if len(payload) == header.length and crc32c(payload) == header.crc:
                self._at = beyond
                yield header, payload
                header = self._header_at(beyond)
            else:
                self._count_fault()
                yield header, None
                header = self._header_at(beyond)
                # Bytes may be missing from the payload, or too many: then look from its beginning.
                self._at = self._at + BLOCK_HEADER.size if header is None else beyond

    def _search(self) -> BlockHeader | None:
        """The next sound block header from here on; None, and no further, where there is none."""
        while True:
            window = self._read(self._at, _SEARCH_BYTES)
            at = window.find(MARKER)
            while 0 <= at <= len(window) - BLOCK_HEADER.size:
                header = self._unpack(window[at : at + BLOCK_HEADER.size])
                if header is not None:
                    self._at += at
                    return header
                self._count_fault()
                at = window.find(MARKER, at + 1)
            if len(window) < _SEARCH_BYTES:
                return None
            self._at += len(window) - BLOCK_HEADER.size + 1

    def _header_at(self, at: int) -> BlockHeader | None:
        return self._unpack(self._read(at, BLOCK_HEADER.size))

    def _unpack(self, data: bytes) -> BlockHeader | None:
        return BlockHeader.unpack(data, self._stamp) if len(data) == BLOCK_HEADER.size else None

    def _read(self, at: int, length: int) -> bytes:
        """Up to ``length`` bytes at ``at``; fewer at the end of the file."""
        self._budget -= length
        if self._budget < 0:
            raise self._beyond_use()
        try:
            if at != self._position:
                self._file.seek(at)
            data = self._file.read(min(length, max(0, self._size - at))) or b""
            while len(data) < length and (more := self._file.read(length - len(data))):
                data += more
            self._position = at + len(data)
        except OSError as error:
            mend = "check the disk, copy the file to another"
            raise BadInput(self._where, f"cannot be read ({reason(error)})", mend) from error
        return data

    def _count_fault(self) -> None:
        self._faults += 1
        if self._faults > _MAX_FAULTS:
            raise self._beyond_use()

    def _beyond_use(self) -> BadInput:
        return BadInput(self._where, "is damaged beyond use", "use another copy of it")

    def _read_header(self) -> Header:
        self._budget = container.MAX_HEADER_TEXT + (1 << 16)
        head = self._read(0, FILE_HEADER.size)
        if head[: len(MAGIC)] != MAGIC[: len(head)]:
            if head.startswith(MAGIC[:4]):
                what = "was changed on its way, as when a file is sent as text"
                raise BadInput(self._where, what, "copy it again, as binary data")
            raise BadInput(self._where, "is not a Breakerbench recording", "check the name")
        cut = BadInput(self._where, "is cut within its header", "use another copy of it")
        if len(head) < FILE_HEADER.size:
            raise cut
        _, version, _, length = FILE_HEADER.unpack(head)
        damaged = BadInput(self._where, "its header is damaged", "use another copy of it")
        if length > container.MAX_HEADER_TEXT:
            raise damaged
        text = self._read(FILE_HEADER.size, length + 4)
        if len(text) < length + 4:
            raise cut
        self._stamp = crc32c(head + text[:-4])
        if text[-4:] != self._stamp.to_bytes(4, "little"):
            raise damaged
        if version > container.VERSION:
            what = f"has layout {version}, this program knows up to {container.VERSION}"
            raise BadInput(self._where, what, "update Breakerbench")
        try:
            header = decode_header(text[:-4])
        except HeaderError as error:
            raise BadInput(f"{self._where} header", str(error), "record it again") from error
        self._at = FILE_HEADER.size + len(text)
        return header
