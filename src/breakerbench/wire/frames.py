"""Frames of the wire: bytes in, messages and refusals out, however the bytes were split."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field

from cobs import cobs

from breakerbench.wire.messages import CRC, HEAD, MESSAGES, MOST_BODY, Message

#: Type, sequence, clock; the CRC.
_HEAD, _CRC = struct.Struct("<BIQ"), struct.Struct("<I")
#: Bytes of a stuffed frame at most, the zero that ends it not counted (one more in 254 for COBS).
MOST_STUFFED = (HEAD + MOST_BODY + CRC) * 255 // 254 + 1


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame in order.

    at       byte of the stream at which it began
    type     of its message; message: None where this program does not know that type
    sequence, clock   of the sender
    """

    at: int
    type: int
    sequence: int
    clock: int
    message: Message | None


@dataclass(frozen=True, slots=True)
class Refused:
    """Bytes that are no frame in order: from byte ``at`` of the stream on, ``size`` of them, and why.

    type, sequence   of a frame whose checksum is right and whose body is not; else None
    """

    at: int
    size: int
    reason: str
    type: int | None = field(default=None, compare=False)
    sequence: int | None = field(default=None, compare=False)


def encode(message: Message, sequence: int, clock: int = 0) -> bytes:
    """A frame with the zero byte that ends it. Raises ValueError where the body is too long."""
    body = message.pack()
    if len(body) > MOST_BODY:
        raise ValueError(f"a body of {len(body)} bytes; {MOST_BODY} is the most")
    plain = _HEAD.pack(message.CODE, sequence & 0xFFFFFFFF, clock) + body
    stuffed: bytes = cobs.encode(plain + _CRC.pack(zlib.crc32(plain)))
    return stuffed + b"\0"


def decode(stuffed: bytes, at: int = 0) -> Frame | Refused:
    """The frame between two zero bytes, these left out."""
    size = len(stuffed)
    try:
        plain = cobs.decode(stuffed)
    except cobs.DecodeError:
        return Refused(at, size, "byte stuffing broken")
    if len(plain) < HEAD + CRC:
        return Refused(at, size, "shorter than a frame")
    if len(plain) > HEAD + MOST_BODY + CRC:
        return Refused(at, size, "longer than a frame")
    if zlib.crc32(plain[:-CRC]) != _CRC.unpack(plain[-CRC:])[0]:
        return Refused(at, size, "checksum wrong")
    code, sequence, clock = _HEAD.unpack_from(plain)
    kind = MESSAGES.get(code)
    if kind is None:
        return Frame(at, code, sequence, clock, None)
    try:
        message = kind.unpack(plain[HEAD:-CRC])
    except ValueError as problem:
        return Refused(at, size, str(problem), code, sequence)
    return Frame(at, code, sequence, clock, message)


class Decoder:
    """Takes a stream as it comes."""

    def __init__(self) -> None:
        self._rest = b""
        self._at = 0  # of the first byte of the rest
        self._skipped = 0  # bytes before the rest of what cannot become a frame any more

    def feed(self, data: bytes) -> list[Frame | Refused]:
        """What these bytes, with those before, complete."""
        found: list[Frame | Refused] = []
        *whole, rest = (self._rest + data).split(b"\0")
        for stuffed in whole:
            if self._skipped or len(stuffed) > MOST_STUFFED:
                size = self._skipped + len(stuffed)
                found.append(Refused(self._at - self._skipped, size, "longer than a frame"))
                self._skipped = 0
            elif stuffed:  # two zeros in a row hold nothing
                found.append(decode(stuffed, self._at))
            self._at += len(stuffed) + 1
        if self._skipped or len(rest) > MOST_STUFFED:
            self._skipped += len(rest)
            self._at += len(rest)
            rest = b""
        self._rest = rest
        return found

    def end(self) -> list[Refused]:
        """What is left when no more bytes come: a frame cut short, or none."""
        size = self._skipped + len(self._rest)
        left = [Refused(self._at - self._skipped, size, "cut short")] if size else []
        self._at += len(self._rest)
        self._rest, self._skipped = b"", 0
        return left
