"""Registers: the header, our table, and what the vendor's headers say (published.toml) agree."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

PORT = Path(__file__).resolve().parents[2] / "firmware" / "rp2040"
HEADER = (PORT / "registers.h").read_text()


def tool() -> ModuleType:
    spec = importlib.util.spec_from_file_location("registers", PORT / "registers.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


REGISTERS = tool()
PUBLISHED: dict[str, Any] = tomllib.loads((PORT / "published.toml").read_text())


def compared(header: str) -> list[str]:
    """What of a header is otherwise than published; each register that was read has to be there."""
    ours = REGISTERS.header(header)
    wrong = []
    for block, registers in PUBLISHED.items():
        if block in ("base", "alias"):
            continue
        for register, about in registers.items():
            name = f"{block}_{register}"
            if name not in ours:
                wrong.append(f"{name} is not used")
                continue
            address, fields = ours[name]
            if address != PUBLISHED["base"][block] + about["offset"]:
                wrong.append(f"{name}: address")
            for field, bits in fields.items():
                if about.get(field) != list(bits):
                    wrong.append(f"{name}.{field}")
    for name, (address, _) in ours.items():
        block, _ = REGISTERS.published_name(name)
        if block and not 0 <= address - PUBLISHED["base"][block] < 0x1000:
            wrong.append(f"{name}: outside its block")
    return wrong


def test_header_agrees_with_what_is_published() -> None:
    assert compared(HEADER) == []
    for name, value in PUBLISHED["alias"].items():
        assert re.search(rf"^#define {name} 0x{value:X}u$", HEADER, re.M)


def test_table_is_that_of_the_header() -> None:
    registers = REGISTERS.header(HEADER)
    assert (PORT / "registers.toml").read_text() == REGISTERS.table(registers, PUBLISHED)
    listed = tomllib.loads((PORT / "registers.toml").read_text())
    assert {n: (r["address"]) for n, r in listed.items()} == {
        n: a for n, (a, _) in registers.items()
    }


def test_every_register_in_the_sources_stands_in_the_header() -> None:
    for source in PORT.glob("*.c"):
        assert not re.search(r"REG(16)?\(\s*0x", source.read_text()), source


@pytest.mark.parametrize(
    "wrong", ["ADC_FCS_OVER 11, 1", "PIO0_RXF1 0x50200024", "USB_USB_PWR_VBUS_DETECT 2, 1"]
)
def test_a_wrong_bit_or_address_is_seen(wrong: str) -> None:
    name, value = wrong.split(" ", 1)
    other = value.replace("11,", "12,").replace("2,", "3,") if "," in value else value[:-1] + "8"
    changed = HEADER.replace(f"#define {wrong}", f"#define {name} {other}")
    assert changed != HEADER
    assert compared(changed)
