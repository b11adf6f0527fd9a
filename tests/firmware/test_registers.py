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


#: Tables of published.toml that are no block of registers.
OTHERS = ("base", "alias", "stride", "numbers")


def compared(header: str) -> list[str]:
    """What of a header is otherwise than published, was not read there, or was read and is not used."""
    ours = REGISTERS.header(header)
    unused = {(b, r) for b, registers in PUBLISHED.items() if b not in OTHERS for r in registers}
    wrong = []
    for name, (address, fields) in ours.items():
        block, register = REGISTERS.published_name(name)
        about = PUBLISHED[block].get(register)
        if about is None:
            wrong.append(f"{name}: not read")
            continue
        unused.discard((block, register))
        if address != PUBLISHED["base"][block] + about["offset"]:
            wrong.append(f"{name}: address")
        wrong += [f"{name}.{f}" for f, bits in fields.items() if about.get(f) != list(bits)]
    return wrong + [f"{block} {register} is not used" for block, register in sorted(unused)]


def test_header_agrees_with_what_is_published() -> None:
    assert compared(HEADER) == []
    for name, value in (PUBLISHED["alias"] | PUBLISHED["stride"]).items():
        assert re.search(rf"^#define {name} 0x{value:X}u?$", HEADER, re.M), name


def test_numbers_of_the_sources_are_those_published() -> None:
    sources = "".join(p.read_text() for p in sorted(PORT.glob("*.[ch]")))
    for name, value in PUBLISHED["numbers"].items():
        assert re.findall(rf"^#define {name} (\d+)u?$", sources, re.M) == [str(value)], name


def test_table_is_that_of_the_header() -> None:
    registers = REGISTERS.header(HEADER)
    assert (PORT / "registers.toml").read_text() == REGISTERS.table(registers, PUBLISHED)
    listed = tomllib.loads((PORT / "registers.toml").read_text())
    assert {n: (r["address"]) for n, r in listed.items()} == {
        n: a for n, (a, _) in registers.items()
    }
    assert [name for name, register in listed.items() if not register["read"]] == []


def test_every_register_in_the_sources_stands_in_the_header() -> None:
    for source in PORT.glob("*.c"):
        assert not re.search(r"REG(16)?\(\s*0x", source.read_text()), source


@pytest.mark.parametrize(
    "wrong",
    [
        "ADC_FCS_OVER 11, 1",
        "PIO0_RXF1 0x50200024",
        "USB_USB_PWR_VBUS_DETECT 2, 1",
        "VTOR 0xE000ED08",
        "USB_DPRAM 0x50100000",
    ],
)
def test_a_wrong_bit_or_address_is_seen(wrong: str) -> None:
    name, value = wrong.split(" ", 1)
    other = value.replace("11,", "12,").replace("2,", "3,") if "," in value else value[:-1] + "C"
    changed = HEADER.replace(f"#define {wrong}", f"#define {name} {other}")
    assert changed != HEADER
    assert compared(changed)


def test_a_register_that_was_not_read_is_seen() -> None:
    more = HEADER.replace("#define ADC_DIV", "#define ADC_INTR 0x4004C014\n#define ADC_DIV")
    assert compared(more) == ["ADC_INTR: not read"]
