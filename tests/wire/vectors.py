"""Golden vectors of the wire, for Python and the firmware's C alike: ``vectors.txt`` beside this.

Each line is a name, ``good`` or what is wrong with it, and the bytes of the stream in hex; of a good one
also type, sequence, clock and body. ``make_vectors`` made them from the definition with nothing of the
program but zlib's checksum.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

PATH = Path(__file__).parent / "vectors.txt"


@dataclass(frozen=True)
class Vector:
    name: str
    verdict: str
    stream: bytes
    type: int = 0
    sequence: int = 0
    clock: int = 0
    body: bytes = b""

    @property
    def good(self) -> bool:
        return self.verdict == "good"


def stuffed(data: bytes) -> bytes:
    """COBS by its definition (Cheshire and Baker 1999): each block tells how far the next zero is."""
    out, block = bytearray(), bytearray()
    for byte in data:
        if byte:
            block.append(byte)
            if len(block) == 254:
                out += b"\xff" + block
                block.clear()
        else:
            out += bytes([len(block) + 1]) + block
            block.clear()
    if block or not data or data[-1] == 0 or len(out) == 0:
        out += bytes([len(block) + 1]) + block
    return bytes(out)


def load() -> list[Vector]:
    found = []
    for line in PATH.read_text().splitlines():
        if line and not line.startswith("#"):
            name, verdict, stream, *rest = (word.strip() for word in line.split("|"))
            if verdict == "good":
                code, sequence, clock, body = rest
                numbers = int(code, 16), int(sequence), int(clock)
                found.append(
                    Vector(name, verdict, bytes.fromhex(stream), *numbers, bytes.fromhex(body))
                )
            else:
                found.append(Vector(name, verdict, bytes.fromhex(stream)))
    return found
