"""Makes ``vectors.txt`` from the definition, with nothing of the program: from tests/,

python -m wire.make_vectors
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

from wire.vectors import PATH, stuffed

TITLE = "# name | good or what is wrong | stream | type | sequence | clock | body; see vectors.py"
IDENTITY = (
    struct.pack("<HHIBBBB", 1, 1, 62_500_000, 0, 3, 2, 2)
    + b"test board".ljust(16, b"\0")
    + b"0123456789ABCDEF"
    + "build ä 1".encode().ljust(32, b"\0")
)


def plain(code: int, sequence: int, clock: int, body: bytes) -> bytes:
    data = struct.pack("<BIQ", code, sequence, clock) + body
    return data + struct.pack("<I", zlib.crc32(data))


def twelve(values: Sequence[int]) -> bytes:
    """12 bits each: the whole as one number, byte by byte from the lowest."""
    number = sum(v << 12 * k for k, v in enumerate(values))
    return number.to_bytes((len(values) * 12 + 7) // 8, "little")


def leb128(number: int) -> bytes:
    sevens = [number >> 7 * k & 0x7F for k in range(max((number.bit_length() + 6) // 7, 1))]
    return bytes([s | 0x80 for s in sevens[:-1]] + sevens[-1:])


GOOD = (
    ("stop, no body", 0x83, 0, 0, b""),
    ("hello", 0x81, 1, 0, struct.pack("<HH", 1, 1)),
    ("ping, all ones", 0x84, 0xFFFFFFFF, 0, b"\xff" * 4),
    ("reply", 0x1F, 9, 9, struct.pack("<IBBI", 1, 0x84, 0, 0xDEADBEEF)),
    ("identity", 0x01, 2, 99, IDENTITY),
    ("started", 0x10, 7, 123456789012345, struct.pack("<BQ", 2, 123456789012000)),
    (
        "samples of two inputs", 0x11, 3, 1 << 63,
        struct.pack("<QHB", 1 << 40, 3, 2) + twelve([0, 0xFFF, 1, 0x800, 0x7FF, 0xABC]),
    ),
    ("samples of three inputs, odd", 0x11, 4, 5, struct.pack("<QHB", 0, 1, 3) + twelve([1, 2, 3])),
    (
        "as many samples as there can be", 0x11, 5, 5,
        struct.pack("<QHB", 640, 329, 2) + twelve([37 * k & 0xFFF for k in range(658)]),
    ),
    (
        "edges", 0x12, 6, 6,
        struct.pack("<BHHQ", 16, 3, 0, 1000) + leb128(1) + leb128(600) + leb128(2_000_001),
    ),
    ("no edges", 0x12, 6, 6, struct.pack("<BHHQ", 17, 0, 65535, 0)),
    ("254 bytes and more without a zero", 0x7E, 0x01010101, 0x0101010101010101, b"\x55" * 300),
    ("a type that nobody knows", 0x7F, 8, 8, b"anything"),
)  # fmt: skip


def bad() -> list[tuple[str, str, bytes]]:
    frame = plain(0x84, 3, 0, b"abcd")
    whole = stuffed(frame)
    flipped = frame[:14] + bytes([frame[14] ^ 1]) + frame[15:]
    swapped = frame[:13] + frame[14:15] + frame[13:14] + frame[15:]
    return [
        ("one bit of the body flipped", "checksum wrong", stuffed(flipped)),
        ("one bit of the checksum", "checksum wrong", stuffed(frame[:-1] + bytes([frame[-1] ^ 0x80]))),
        ("two bytes swapped", "checksum wrong", stuffed(swapped)),
        ("last byte missing", "byte stuffing broken", whole[:-1]),
        ("stuffing that leads beyond the end", "byte stuffing broken", b"\xfe" + whole[1:]),
        ("nothing but stuffing", "shorter than a frame", b"\x01"),
        ("sixteen bytes", "shorter than a frame", stuffed(b"\x01" * 16)),
        ("a body where none belongs", "Stop: body of the wrong length", stuffed(plain(0x83, 0, 0, b"x"))),
        (
            "a body too short", "Identity: body of the wrong length",
            stuffed(plain(0x01, 0, 0, IDENTITY[:-1])),
        ),
        ("one byte too long", "longer than a frame", stuffed(plain(0x11, 0, 0, b"\x77" * 1001))),
        ("far too long", "longer than a frame", b"\x33" * 3000),
    ]  # fmt: skip


def lines() -> list[str]:
    found = [TITLE]
    for name, code, sequence, clock, body in GOOD:
        stream = stuffed(plain(code, sequence, clock, body)) + b"\0"
        found.append(
            f"{name} | good | {stream.hex()} | {code:02x} | {sequence} | {clock} | {body.hex()}"
        )
    for name, reason, stuffing in bad():
        found.append(f"{name} | {reason} | {stuffing.hex()}00")
    return found


if __name__ == "__main__":
    PATH.write_text("\n".join(lines()) + "\n", newline="\n")
