"""Makes of the linked bytes what the boot ROM's drive takes: checksum of the boot stage, blocks of UF2.

    python uf2.py breakerbench-rp2040.bin breakerbench-rp2040.uf2

Sources: RP2040 datasheet 2.8.1.3.1 (the boot stage's checksum), the UF2 file format's own description
(block of 512 bytes, three magic numbers, family in place of the size). The family number of the RP2040
stands in the list that goes with the format.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path

FLASH, BOOT, PAGE, SECTOR = 0x10000000, 256, 256, 4096
MAGIC_1, MAGIC_2, MAGIC_END = 0x0A324655, 0x9E5D5157, 0x0AB16F30
FAMILY_GIVEN, RP2040 = 0x2000, 0xE48BFF56


def checksum(boot: bytes) -> int:
    """CRC-32 of the boot ROM: polynomial 0x04C11DB7, highest bit first, from all ones, not inverted."""
    crc = 0xFFFFFFFF
    for byte in boot:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ 0x04C11DB7 if crc >> 31 else crc << 1) & 0xFFFFFFFF
    return crc


def with_checksum(image: bytes) -> bytes:
    """The image with the checksum of its first 252 bytes in the four after. Raises ValueError."""
    if any(image[BOOT - 4 : BOOT]):
        raise ValueError("the boot stage is too long: its last four bytes belong to the checksum")
    return image[: BOOT - 4] + struct.pack("<I", checksum(image[: BOOT - 4])) + image[BOOT:]


def blocks(image: bytes, start: int = FLASH) -> bytes:
    """The file: a block for each page, up to the end of the last sector (a ROM that is given part of one
    leaves the rest of it erased or not: errata RP2040-E14)."""
    image = image.ljust(-(-len(image) // SECTOR) * SECTOR, b"\0")
    many = len(image) // PAGE
    made = bytearray()
    for k in range(many):
        head = struct.pack(
            "<8I", MAGIC_1, MAGIC_2, FAMILY_GIVEN, start + k * PAGE, PAGE, k, many, RP2040
        )
        made += head + image[k * PAGE : (k + 1) * PAGE].ljust(476, b"\0")
        made += struct.pack("<I", MAGIC_END)
    return bytes(made)


def main(argv: list[str]) -> int:
    source, target = (Path(name) for name in argv)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(blocks(with_checksum(source.read_bytes())))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
