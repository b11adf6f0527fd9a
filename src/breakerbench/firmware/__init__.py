"""The image of the firmware that goes with this program, and what a board's drive is told by."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from breakerbench.errors import BadInput

IMAGE = Path(__file__).with_name("breakerbench-rp2040.uf2")
#: What the boot ROM's drive always holds.
TOLD_BY, KIND = "INFO_UF2.TXT", "RPI-RP2"
BLOCK, PAGE, VECTORS_END = 512, 256, 256 + 48 * 4
MARK = b"Breakerbench firmware for boards with an RP2040, build "


@dataclass(frozen=True, slots=True)
class Image:
    """An image: its bytes as a UF2 file, the build it says it is."""

    data: bytes
    build: str


def load(path: Path = IMAGE) -> Image:
    """The image that is shipped. Raises BadInput where it is not whole."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(str(path), f"cannot be read ({error.strerror})", "install anew") from error
    begin = flash_of(data)[VECTORS_END : VECTORS_END + 128]
    if not begin.startswith(MARK):
        raise BadInput(str(path), "is no image of this program's firmware", "install it anew")
    return Image(data, begin[len(MARK) :].split(b"\0")[0].decode("ascii", "replace"))


def flash_of(data: bytes) -> bytes:
    """The flash's content out of UF2 blocks that follow each other; empty where they are none."""
    pages = []
    for at in range(0, len(data) - BLOCK + 1, BLOCK):
        one, two, _, target, size, number, _, _ = struct.unpack_from("<8I", data, at)
        if (one, two) != (0x0A324655, 0x9E5D5157) or target != 0x10000000 + number * PAGE:
            return b""
        pages.append(data[at + 32 : at + 32 + size])
    return b"".join(pages)
