"""Spoils the chip's port in one place at a time and looks whether the emulated board is seen to be wrong.

    .venv/bin/python tests/firmware/mutations_port.py [number ...]

Ends with the number of those that no test saw; each must be seen. What only a real chip would show
(waits for a crystal, settings of pads) is not among them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from build import FIRMWARE

TESTS = Path(__file__).resolve().parent
ROOT = TESTS.parents[1]
#: (file of the port, what stands there, what it becomes).
MUTATIONS = (
    ("converter.c", "#define SAMPLE_TICKS 125u", "#define SAMPLE_TICKS 124u"),
    ("converter.c", "PUT(DMA_CH0_CTRL_TRIG_CHAIN_TO, CHANNEL_B);", "0;"),
    ("converter.c", "PUT(ADC_CS_RROBIN, mask)", "PUT(ADC_CS_RROBIN, 1)"),
    ("converter.c", "pairs[k % (BB_RING_SAMPLES / 2u)]", "pairs[k]"),
    ("converter.c", "(from + samples + 1u) / 2u", "(from + samples) / 2u"),
    ("converter.c", "copied + from % 2u", "copied"),
    ("converter.c", "if (first > taken) {", "if (first > taken + AT_ONCE) {"),
    ("converter.c", "while (bb_clock() - *tick > MOST_APART)", "while (0)"),
    ("converter.c", "bb_board_rows_lost(b, first - taken);", ""),
    ("edges.c", "#define LATE 4u", "#define LATE 14u"),
    ("edges.c", "IN(OF_NULL, 1)", "IN(OF_Y, 1)"),
    ("edges.c", "(lines[m].taken + k) & (lines[m].held - 1u)", "(lines[m].taken + k) & 255u"),
    ("edges.c", "        if (lost) {", "        if (lost > lines[m].held) {"),
    ("edges.c", "bb_board_edges_lost(b, lines[m].input, lost);", ""),
    ("edges.c", "PUT(PIO0_SM0_EXECCTRL_JMP_PIN, lines[m].pin)", "PUT(PIO0_SM0_EXECCTRL_JMP_PIN, 16)"),
    ("main.c", "#define TO_FIRST_ROW 2u", "#define TO_FIRST_ROW 12u"),
    ("usb.c", "usb.pid[endpoint][way] ^= 1u;", ""),
    ("usb.c", "usb.last_full = bytes == PACKET;", "usb.last_full = 0; to_got += bytes / 64;"),
    ("usb.c", "usb.pid[0][IN] = usb.pid[0][OUT] = 1;", ""),
    ("usb.c", "REG(USB_ADDR_ENDP) = usb.address;", ""),
    ("usb.c", "REG(USB_EP_STALL_ARM) = 3u;", ""),
    ("usb.c", "forget_line(); /* the host sleeps", "/* the host sleeps"),
    ("usb.c", "bb_usb_leave(void) {", "bb_usb_leave(void) {\n    return;"),
    ("flash.c", "rom.erase(place(copy), SECTOR, BLOCK, BLOCK_ERASE);", ""),
    ("flash.c", "(2u - copy) * SECTOR", "SECTOR"),
    ("clock.c", "pll(PLL_SYS_CS, 125, 6, 2);", "pll(PLL_SYS_CS, 120, 6, 2);"),
    ("clock.c", "REG(WATCHDOG_SCRATCH0) = ASKED;", ""),
    ("clock.c", "#define TICK_US 1000u", "#define TICK_US 40000u"),
    ("main.c", "return STOOD_STILL;", ""),
)  # fmt: skip


def image(folder: Path, number: int) -> Path:
    """The image with this mutation."""
    for part in ("firmware", "src/breakerbench/firmware"):
        ignore = shutil.ignore_patterns("build", "node_modules")
        shutil.copytree(ROOT / part, folder / part, ignore=ignore, dirs_exist_ok=True)
    shutil.copy(ROOT / "pyproject.toml", folder)
    name, old, new = MUTATIONS[number]
    source = folder / "firmware" / "rp2040" / name
    text = source.read_text()
    if text.count(old) != 1:
        raise SystemExit(f"mutation {number} fits {text.count(old)} places of {name}")
    source.write_text(text.replace(old, new))
    command = ["make", "-s", "-C", folder / "firmware", f"PYTHON={sys.executable}", "STRICT="]
    subprocess.run(command, check=True, capture_output=True)
    return folder / "firmware" / "build" / "breakerbench-rp2040.uf2"


def seen(number: int) -> bool:
    """Whether a test fails."""
    with tempfile.TemporaryDirectory() as folder:
        environment = os.environ | {"BREAKERBENCH_IMAGE": str(image(Path(folder), number))}
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
        ran = subprocess.run(
            [*command, TESTS / "test_emulator.py"], env=environment, capture_output=True, cwd=ROOT,
            timeout=600, check=False,
        )  # fmt: skip
    return ran.returncode == 1


def main(argv: list[str]) -> int:
    assert FIRMWARE == ROOT / "firmware"
    unseen = 0
    for number in map(int, argv) if argv else range(len(MUTATIONS)):
        found = seen(number)
        unseen += not found
        print(f"{number:3} {'seen  ' if found else 'UNSEEN'} {MUTATIONS[number][:2]}", flush=True)
    return unseen


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
