"""The table of registers: made of registers.h, and held against the vendor's SVD.

    python registers.py            writes registers.toml anew (then look at what changed)
    python registers.py rp2040.svd says where registers.h and the SVD differ; exit status 1 where they do

The SVD is `src/rp2040/hardware_regs/rp2040.svd` of the vendor's pico-sdk.
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path
from xml.etree import ElementTree

HERE = Path(__file__).resolve().parent
#: Names of ours that are no registers; those of the processor, which have no block in their names.
OTHERS = ("SET_AT", "CLEAR_AT", "DMA_STRIDE", "PIO0_STRIDE")
PROCESSOR = ("NVIC_ISER", "VTOR")
#: Blocks by the beginning of our names, the longest first, and by the SVD's.
BLOCKS = {
    "CLOCKS": "CLOCKS", "RESETS": "RESETS", "PSM": "PSM", "IO_BANK0": "IO_BANK0", "IO_QSPI": "IO_QSPI",
    "PADS_BANK0": "PADS_BANK0", "XOSC": "XOSC", "PLL_SYS": "PLL_SYS", "PLL_USB": "PLL_USB", "ADC": "ADC",
    "PWM": "PWM", "TIMER": "TIMER", "WATCHDOG": "WATCHDOG", "DMA": "DMA", "USB_DPRAM": "USBCTRL_DPRAM",
    "USB": "USBCTRL_REGS", "PIO0": "PIO0", "SSI": "XIP_SSI", "SIO": "SIO", "PPB": "PPB",
}  # fmt: skip

Fields = dict[str, tuple[int, int]]


def header(text: str) -> dict[str, tuple[int, Fields]]:
    """Registers of registers.h: address, and fields by (lowest, highest bit). Raises ValueError."""
    found: dict[str, tuple[int, Fields]] = {}
    for name, value in re.findall(r"^#define (\w+) (0x[0-9A-Fa-f]+u?|\d+, \d+)$", text, re.M):
        if name in OTHERS:
            continue
        if "," not in value:
            if name in found:
                raise ValueError(f"{name} stands there twice")
            found[name] = (int(value.rstrip("u"), 16), {})
            continue
        low, width = (int(part) for part in value.split(","))
        owner = max((r for r in found if name.startswith(r + "_")), key=len, default=None)
        if owner is None:
            raise ValueError(f"{name} is a field of no register")
        field = name[len(owner) + 1 :]
        if field in found[owner][1]:
            raise ValueError(f"{name} stands there twice")
        found[owner][1][field] = (low, low + width - 1)
    return found


def published_name(name: str) -> tuple[str, str]:
    """(block of ours, register) of a name."""
    if name in PROCESSOR:
        return "PPB", name
    if name == "USB_DPRAM":  # the memory begins with it
        return name, "SETUP_PACKET_LOW"
    block = max((b for b in BLOCKS if name.startswith(b + "_")), key=len)
    return block, name[len(block) + 1 :]


def table(registers: dict[str, tuple[int, Fields]], read: dict[str, dict[str, object]]) -> str:
    """registers.toml. read: what was copied of the published headers."""
    lines = [
        "# Every register that this port uses: address, published block and name, fields by",
        "# [lowest, highest bit], and whether it was held against the published headers",
        "# (published.toml). Made by registers.py.",
    ]
    for name, (address, fields) in registers.items():
        block, register = published_name(name)
        lines += ["", f"[{name}]", f"address = 0x{address:08X}"]
        lines += [f'block = "{BLOCKS[block]}"', f'register = "{register}"']
        lines.append(f"read = {str(register in read.get(block, {})).lower()}")
        lines += [f"{field} = [{low}, {high}]" for field, (low, high) in fields.items()]
    return "\n".join(lines) + "\n"


def svd(path: Path) -> dict[tuple[str, str], tuple[int, Fields]]:
    """Registers of an SVD file by (block, name); those that are derived from another block included."""
    blocks = {p.findtext("name", ""): p for p in ElementTree.parse(path).iter("peripheral")}
    found = {}
    for name, block in blocks.items():
        base = int(block.findtext("baseAddress", "0"), 0)
        for register in blocks[block.get("derivedFrom", name)].iter("register"):
            fields = {}
            for field in register.iter("field"):
                high, low = re.findall(r"\d+", field.findtext("bitRange", ""))
                fields[field.findtext("name", "")] = (int(low), int(high))
            address = base + int(register.findtext("addressOffset", "0"), 0)
            found[name, register.findtext("name", "")] = (address, fields)
    return found


def differences(path: Path) -> list[str]:
    """Where registers.h says other things than an SVD."""
    wrong = []
    theirs = svd(path)
    for name, (address, fields) in header((HERE / "registers.h").read_text()).items():
        block, register = published_name(name)
        if (BLOCKS[block], register) not in theirs:
            wrong.append(f"{name}: no such register")
            continue
        at, known = theirs[BLOCKS[block], register]
        if at != address:
            wrong.append(f"{name}: 0x{address:X}, published 0x{at:X}")
        wrong += [f"{name}.{f}: {bits}" for f, bits in fields.items() if known.get(f) != bits]
    return wrong


def main(argv: list[str]) -> int:
    if argv:
        wrong = differences(Path(argv[0]))
        print("\n".join(wrong) or "registers.h agrees with it")
        return int(bool(wrong))
    read = tomllib.loads((HERE / "published.toml").read_text())
    registers = header((HERE / "registers.h").read_text())
    (HERE / "registers.toml").write_text(table(registers, read))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
