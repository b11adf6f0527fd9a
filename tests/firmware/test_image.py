"""The shipped image: as the sources make it, and as the boot ROM wants it."""

from __future__ import annotations

import shutil
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

from breakerbench.errors import BadInput
from breakerbench.firmware import IMAGE, MARK, flash_of, load

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware"
RAM, RAM_END, STACK_TOP = 0x20000000, 0x20040000, 0x20041000


def made(tmp_path: Path) -> bytes:
    if shutil.which("arm-none-eabi-gcc") is None or shutil.which("make") is None:
        pytest.skip(
            "no cross compiler: install make, gcc-arm-none-eabi and libnewlib-arm-none-eabi"
        )
    # from a copy elsewhere: neither the folder nor the time may get into it
    for part in ("firmware", "src/breakerbench/firmware"):
        ignore = shutil.ignore_patterns("build", "node_modules")
        shutil.copytree(ROOT / part, tmp_path / part, ignore=ignore)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    command = ["make", "-s", "-C", tmp_path / "firmware", f"PYTHON={sys.executable}"]
    subprocess.run(command, check=True, capture_output=True)
    return (tmp_path / "firmware/build/breakerbench-rp2040.uf2").read_bytes()


def test_the_shipped_image_is_what_the_sources_make(tmp_path: Path) -> None:
    assert made(tmp_path) == IMAGE.read_bytes(), "run `make -C firmware ship` and commit the image"


def test_boot_stage_has_the_checksum_that_the_boot_rom_wants() -> None:
    # RP2040 datasheet 2.8.1.3.1: CRC-32 of the polynomial 0x04C11DB7 over 252 bytes, neither reflected
    # nor inverted. Checked by zlib, whose own is that reflected and inverted.
    flash = flash_of(IMAGE.read_bytes())

    def reflected(data: bytes) -> bytes:
        return bytes(int(f"{b:08b}"[::-1], 2) for b in data)

    word = zlib.crc32(reflected(flash[:252])) ^ 0xFFFFFFFF
    assert struct.unpack_from("<I", flash, 252)[0] == int(f"{word:032b}"[::-1], 2)


def test_blocks_are_of_the_format_and_for_this_chip() -> None:
    # By the format's own description: magic numbers, 256 bytes a block, numbered, family 0xE48BFF56.
    data = IMAGE.read_bytes()
    many = len(data) // 512
    assert many * 512 == len(data)
    assert many % 16 == 0  # whole sectors of flash
    for k in range(many):
        head = struct.unpack_from("<8I", data, 512 * k)
        assert head == (
            0x0A324655, 0x9E5D5157, 0x2000, 0x10000000 + 256 * k, 256, k, many, 0xE48BFF56,
        )  # fmt: skip
        assert struct.unpack_from("<I", data, 512 * k + 508)[0] == 0x0AB16F30


def test_vectors_lead_into_the_memory_that_is_copied() -> None:
    flash = flash_of(IMAGE.read_bytes())
    stack, *vectors = struct.unpack_from("<48I", flash, 256)
    assert stack == STACK_TOP
    for vector in filter(None, vectors):
        assert vector & 1
        assert RAM <= vector < RAM + len(flash) - 256 < RAM_END


def test_it_says_which_build_it_is() -> None:
    text = (ROOT / "pyproject.toml").read_text()
    assert f'version = "{load().build}"' in text


def test_a_broken_image_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "x.uf2"
    for data in (b"", b"x" * 512, IMAGE.read_bytes().replace(MARK, b"-" * len(MARK))):
        other.write_bytes(data)
        with pytest.raises(BadInput):
            load(other)
    with pytest.raises(BadInput):
        load(tmp_path / "none")
