"""Layout of a Breakerbench recording (.bbr), version 1, byte by byte.

All numbers are little-endian; u16, u32, u64 unsigned, i64 signed, f32 and f64 IEEE 754. CRC is
CRC-32C (Castagnoli; RFC 3720 appendix B.4: "123456789" gives e3069283), because processors have an
instruction for it: measured 19 GB/s here where zlib's CRC-32 gave 2.2 GB/s, and a recording is read
at some 5 GB/s. A file is a file header and then blocks, each written once and never changed.

File header (this form is kept by every later version, so that it can be checked before it is read)

    offset  size  what
    0       8     89 42 42 52 0D 0A 1A 0A  (".BBR", then line ends that a text transfer would spoil)
    8       u16   version of the layout: 1
    10      u16   0
    12      u32   length n of the header text, at most 1,048,576
    16      n     header text: JSON in UTF-8, one object, see ``header_text``
    16+n    u32   CRC of everything before it: the *stamp* of this recording

Block header (40 bytes)

    0       8     F5 62 62 72 62 6C 6B 0A  marker: finds the next block after damage
    8       u32   length of the payload in bytes, at most 33,554,432
    12      u16   type: 1 samples as i16, 2 samples as f32, 3 hole, 4 end
    14      u16   0
    16      u32   sequence: 0 for the first block, 1 more for every block
    20      u32   samples of each channel in this block, at most 131,072; 0 for types 3 and 4
    24      u64   clock: number of the first sample on the sample clock of the trace
                  (hole: first sample missing; end: one past the last sample of the trace)
    32      u32   CRC of the payload
    36      u32   CRC of bytes 0 to 35, begun from the stamp instead of from 0: the block of another
                  recording, left on the disk where this one was cut, is not taken for one of this

Payload of types 1 and 2: the samples of the first channel, then those of the second, and so on;
then, to the end of the payload, groups of edges of the index or encoder:

    0       u16   which of the header's edge channels
    2       u16   coding: 0, or the width of a step in bytes: 1, 2, 4 or 8
    4       u32   number of edges m, at most 262,144
    8       i64   first tick (coding 0: 0)
    16            coding 0: m times f64 seconds, then m bytes, 1 where it rose, 0 where it fell
                  coding w: m steps of w bytes, unsigned: ticks since the edge before it (the first
                  step counts from the first tick), times two, plus 1 where the line rose. The time
                  of an edge is its tick times the channel's ``resolution_s``, in f64

A block carries every edge up to its own end, so a lost block loses one stretch of time and no more.
(Edges that came late, because the writer was told to flush before they did, are in the next block.)
Payload of type 3: u64 first sample present again, u32 frames lost, then the reason in UTF-8, at
most 1,024 bytes. Payload of type 4: empty. What follows an end block is not read.

A file without an end block was cut. A jump of the clock without a hole block, and a jump of the
sequence, are holes too.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

import google_crc32c

MAGIC = b"\x89BBR\r\n\x1a\n"
VERSION = 1
FILE_HEADER = struct.Struct("<8sHHI")
MAX_HEADER_TEXT = 1 << 20

MARKER = b"\xf5bbrblk\n"
BLOCK_HEADER = struct.Struct("<8sIHHIIQII")
MAX_PAYLOAD = 1 << 25
MAX_COUNT = 1 << 17
MAX_CLOCK = 1 << 52  # beyond it a float cannot tell one sample from the next

INT16, FLOAT32, HOLE, END = 1, 2, 3, 4

EDGE_GROUP = struct.Struct("<HHIq")
MAX_EDGES = 1 << 18
HOLE_PAYLOAD = struct.Struct("<QI")
MAX_REASON = 1024


def crc32c(data: bytes, start: int = 0) -> int:
    """CRC-32C of ``data``, going on from ``start``."""
    return int(google_crc32c.extend(start, data))


class BlockHeader(NamedTuple):
    """A block's header, see the layout above; ``kind`` is its type, ``samples`` of each channel."""

    length: int
    kind: int
    sequence: int
    samples: int
    clock: int
    crc: int

    def pack(self, stamp: int) -> bytes:
        """The 40 bytes, for the recording with this stamp."""
        data = BLOCK_HEADER.pack(
            MARKER, self.length, self.kind, 0, self.sequence, self.samples, self.clock, self.crc, 0
        )[:-4]
        return data + crc32c(data, stamp).to_bytes(4, "little")

    @classmethod
    def unpack(cls, data: bytes, stamp: int) -> BlockHeader | None:
        """The header in these 40 bytes, or None where it is not a sound one of this recording."""
        marker, length, kind, zero, sequence, count, clock, crc, own = BLOCK_HEADER.unpack(data)
        if (
            marker != MARKER
            or own != crc32c(data[:-4], stamp)
            or zero
            or length > MAX_PAYLOAD
            or count > MAX_COUNT
            or clock > MAX_CLOCK
        ):
            return None
        return cls(length, kind, sequence, count, clock, crc)


def pack_file_header(text: bytes) -> tuple[bytes, int]:
    """The file header around the header text, and the stamp of the recording."""
    data = FILE_HEADER.pack(MAGIC, VERSION, 0, len(text)) + text
    stamp = crc32c(data)
    return data + stamp.to_bytes(4, "little"), stamp
