"""Makes of protocol.toml the messages in Python and C, and their description for people.

    python src/breakerbench/wire/generate.py            writes the three files
    python src/breakerbench/wire/generate.py --check    says which of them differ; status 1 then

It works in the checkout that it lies in, and needs nothing but Python.
"""

from __future__ import annotations

import sys
import textwrap
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]
MADE = "by wire/generate.py of protocol.toml: edit that"
LINE = 100

#: Type -> (bytes, letter of ``struct``, C type, Python type).
TYPES = {
    "u8": (1, "B", "uint8_t", "int"),
    "u16": (2, "H", "uint16_t", "int"),
    "u32": (4, "I", "uint32_t", "int"),
    "u64": (8, "Q", "uint64_t", "int"),
    "f32": (4, "f", "float", "float"),
    "text16": (16, "16s", "char", "str"),
    "text32": (32, "32s", "char", "str"),
}
#: Type byte, sequence, clock; CRC.
HEAD, CRC = 1 + 4 + 8, 4


@dataclass(frozen=True, slots=True)
class Field:
    name: str
    type: str
    unit: str
    doc: str

    @property
    def size(self) -> int:
        return TYPES[self.type][0]

    @property
    def is_text(self) -> bool:
        return self.type.startswith("text")


@dataclass(frozen=True, slots=True)
class Message:
    name: str
    code: int
    sender: str
    doc: str
    fields: tuple[Field, ...]
    tail: str

    @property
    def size(self) -> int:
        """Bytes of the fields, the tail not counted."""
        return sum(f.size for f in self.fields)


@dataclass(frozen=True, slots=True)
class Protocol:
    level: int
    least_level: int
    most_body: int
    constants: tuple[tuple[str, int, str], ...]
    enums: tuple[tuple[str, str, tuple[tuple[str, int, str], ...]], ...]
    messages: tuple[Message, ...]


def load(text: str) -> Protocol:
    """The definition. Raises ValueError where it contradicts itself."""
    d: dict[str, Any] = tomllib.loads(text)
    enums = tuple(
        (e["name"], e["doc"], tuple((n, v, doc) for n, v, doc in e["values"])) for e in d["enum"]
    )
    messages = tuple(
        Message(
            m["name"], m["code"], m["sender"], m["doc"],
            tuple(Field(*f) for f in m["fields"]), m.get("tail", ""),
        )
        for m in d["message"]
    )  # fmt: skip
    protocol = Protocol(
        d["level"], d["least_level"], d["most_body"],
        tuple((c["name"], c["value"], c["doc"]) for c in d["constant"]), enums, messages,
    )  # fmt: skip
    _check(protocol)
    return protocol


def _check(p: Protocol) -> None:
    codes = [m.code for m in p.messages]
    names = [m.name for m in p.messages] + [name for name, _, _ in p.enums]
    if len(set(codes)) != len(codes) or len(set(names)) != len(names):
        raise ValueError("two messages share a code or a name")
    for m in p.messages:
        if m.sender not in ("board", "program") or (m.code >= 0x80) != (m.sender == "program"):
            raise ValueError(
                f"{m.name}: codes from 0x80 on are the program's, the others the board's"
            )
        if any(f.type not in TYPES for f in m.fields):
            raise ValueError(f"{m.name}: a field of an unknown type")
        if m.size > p.most_body:
            raise ValueError(f"{m.name}: longer than a frame may be")
    for name, _, values in p.enums:
        if len({v for _, v, _ in values}) != len(values):
            raise ValueError(f"{name}: two names of one value")


def _wrapped(text: str, indent: str, first: str = "") -> list[str]:
    return textwrap.wrap(
        text, LINE, initial_indent=indent + first, subsequent_indent=indent,
        break_on_hyphens=False,
    )  # fmt: skip


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


# --- Python ---------------------------------------------------------------------------------------

PY_HELPERS = """\
def _bytes(text: str, size: int) -> bytes:
    data = text.encode("utf-8")
    if len(data) > size:
        raise ValueError(f"{text!r} takes more than {size} bytes")
    return data


def _text(data: bytes) -> str:
    return data.rstrip(b"\\0").decode("utf-8")"""


def python(p: Protocol) -> str:
    """messages.py."""
    lines = [
        '"""The messages of the wire. Made ' + MADE + '."""', "",
        "from __future__ import annotations", "",
        "import struct", "from dataclasses import dataclass", "from enum import IntEnum",
        "from typing import ClassVar", "",
        f"LEVEL, LEAST_LEVEL = {p.level}, {p.least_level}",
        "#: Bytes of a frame's body at most; before it; and after it.",
        f"MOST_BODY, HEAD, CRC = {p.most_body}, {HEAD}, {CRC}",
    ]  # fmt: skip
    for name, value, doc in p.constants:
        lines += [f"#: {_sentence(doc)}", f"{name.upper()} = 0x{value:04X}"]
    for name, doc, values in p.enums:
        lines += ["", "", f"class {name}(IntEnum):", f'    """{_sentence(doc)}"""', ""]
        lines += [f"    {n.upper()} = {v}  # {d}" for n, v, d in values]
    lines += ["", "", *PY_HELPERS.splitlines()]
    for m in p.messages:
        lines += _python_message(m)
    lines += ["", "", "Message = ("]
    lines += [f"    {'| ' if k else ''}{m.name}" for k, m in enumerate(p.messages)]
    lines += [")", "", "#: Message of each code.", "MESSAGES: dict[int, type[Message]] = {"]
    lines += [f"    0x{m.code:02X}: {m.name}," for m in p.messages]
    return "\n".join([*lines, "}", ""])


def _python_message(m: Message) -> Iterator[str]:
    yield from ("", "", "@dataclass(frozen=True, slots=True)", f"class {m.name}:")
    lines = _wrapped(_sentence(m.doc), "    ", '"""')
    if m.fields or m.tail:
        notes = [(f.name, f"{f.doc}{f' ({f.unit})' if f.unit else ''}") for f in m.fields]
        notes += [("tail", m.tail)] if m.tail else []
        width = max(len(name) for name, _ in notes)
        lines.append("")
        for name, text in notes:
            lines += textwrap.wrap(
                text, LINE, initial_indent=f"    {name:{width}}  ",
                subsequent_indent=" " * (width + 6), break_on_hyphens=False,
            )  # fmt: skip
        lines.append('    """')
    else:
        lines[-1] += '"""'
    yield from lines
    letters = "".join(TYPES[f.type][1] for f in m.fields)
    yield from ("", f"    CODE: ClassVar[int] = 0x{m.code:02X}")
    yield f'    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<{letters}")'
    if m.fields or m.tail:
        yield ""
    yield from (f"    {f.name}: {TYPES[f.type][3]}" for f in m.fields)
    if m.tail:
        yield "    tail: bytes"
    values = ", ".join(
        f"_bytes(self.{f.name}, {f.size})" if f.is_text else f"self.{f.name}" for f in m.fields
    )
    yield from ("", "    def pack(self) -> bytes:", '        """Body of the frame."""')
    yield from _folded(
        f"        return self.LAYOUT.pack({values})" + (" + self.tail" if m.tail else "")
    )
    yield from ("", "    @classmethod", f"    def unpack(cls, body: bytes) -> {m.name}:")
    yield '        """Raises ValueError where the length or a text is wrong."""'
    size = "<" if m.tail else "!="
    yield f"        if len(body) {size} cls.LAYOUT.size:"
    yield f'            raise ValueError("{m.name}: body of the wrong length")'
    if not m.fields:
        yield f"        return cls({'body' if m.tail else ''})"
        return
    found = "unpack_from" if m.tail else "unpack"
    names = ", ".join(f.name for f in m.fields) + ("," if len(m.fields) == 1 else "")
    yield from _folded(f"        {names} = cls.LAYOUT.{found}(body)")
    made = [f"_text({f.name})" if f.is_text else f.name for f in m.fields]
    made += ["body[cls.LAYOUT.size :]"] if m.tail else []
    yield from _folded(f"        return cls({', '.join(made)})")


def _folded(line: str) -> list[str]:
    """A long statement on more lines, within brackets."""
    if len(line) <= LINE:
        return [line]
    if "(" not in line or line.index("=" if " = " in line else "(") < line.index("("):
        left, right = line.split(" = ", 1)
        return ["        (", *textwrap.wrap(left.strip() + ",", LINE, initial_indent=" " * 12,
                subsequent_indent=" " * 12), f"        ) = {right}"]  # fmt: skip
    head, rest = line.split("(", 1)
    inner, tail = rest.rsplit(")", 1)
    lines = textwrap.wrap(
        inner + ",", LINE - 4, initial_indent=" " * 12, subsequent_indent=" " * 12
    )
    return [head + "(", *lines, f"        ){tail}  # fmt: skip"]


# --- C --------------------------------------------------------------------------------------------

C_HELPERS = """\
static inline void bb_put_u8(uint8_t *to, uint8_t v) { to[0] = v; }
static inline void bb_put_u16(uint8_t *to, uint16_t v) { to[0] = (uint8_t)v; to[1] = (uint8_t)(v >> 8); }
static inline void bb_put_u32(uint8_t *to, uint32_t v) {
    bb_put_u16(to, (uint16_t)v);
    bb_put_u16(to + 2, (uint16_t)(v >> 16));
}
static inline void bb_put_u64(uint8_t *to, uint64_t v) {
    bb_put_u32(to, (uint32_t)v);
    bb_put_u32(to + 4, (uint32_t)(v >> 32));
}
static inline void bb_put_f32(uint8_t *to, float v) {
    uint32_t bits;
    memcpy(&bits, &v, 4);
    bb_put_u32(to, bits);
}
static inline uint8_t bb_get_u8(const uint8_t *from) { return from[0]; }
static inline uint16_t bb_get_u16(const uint8_t *from) { return (uint16_t)(from[0] | from[1] << 8); }
static inline uint32_t bb_get_u32(const uint8_t *from) {
    return bb_get_u16(from) | (uint32_t)bb_get_u16(from + 2) << 16;
}
static inline uint64_t bb_get_u64(const uint8_t *from) {
    return bb_get_u32(from) | (uint64_t)bb_get_u32(from + 4) << 32;
}
static inline float bb_get_f32(const uint8_t *from) {
    uint32_t bits = bb_get_u32(from);
    float v;
    memcpy(&v, &bits, 4);
    return v;
}"""


def header(p: Protocol) -> str:
    """protocol.h."""
    lines = [
        f"/* The messages of the wire. Made {MADE}. */", "#ifndef BB_PROTOCOL_H", "#define BB_PROTOCOL_H",
        "", "#include <stddef.h>", "#include <stdint.h>", "#include <string.h>", "",
        f"#define BB_LEVEL {p.level}", f"#define BB_LEAST_LEVEL {p.least_level}",
        f"#define BB_HEAD {HEAD}", f"#define BB_CRC {CRC}", f"#define BB_MOST_BODY {p.most_body}",
    ]  # fmt: skip
    for name, value, doc in p.constants:
        lines += [f"/* {_sentence(doc)} */", f"#define BB_{name.upper()} 0x{value:04X}"]
    for name, doc, values in p.enums:
        lines += ["", f"/* {_sentence(doc)} */", f"enum bb_{name.lower()} {{"]
        lines += [f"    BB_{name.upper()}_{n.upper()} = {v}, /* {d} */" for n, v, d in values]
        lines += ["};"]
    lines += ["", "enum bb_code {"]
    lines += [f"    BB_{m.name.upper()} = 0x{m.code:02X}," for m in p.messages]
    lines += ["};", "", C_HELPERS]
    for m in p.messages:
        lines += _c_message(m)
    return "\n".join([*lines, "", "#endif", ""])


def _c_message(m: Message) -> Iterator[str]:
    low = m.name.lower()
    yield from ("", *_wrapped(_sentence(m.doc) + " */", "   ", "/* ")[:1])
    yield from _wrapped(_sentence(m.doc) + " */", "   ", "/* ")[1:]
    yield f"#define BB_{m.name.upper()}_SIZE {m.size}"
    if not m.fields:
        return
    yield "typedef struct {"
    for f in m.fields:
        count = f"[{f.size}]" if f.is_text else ""
        unit = f" ({f.unit})" if f.unit else ""
        yield f"    {TYPES[f.type][2]} {f.name}{count}; /* {f.doc}{unit} */"
    yield f"}} bb_{low};"
    yield f"static inline void bb_put_{low}(uint8_t *to, const bb_{low} *m) {{"
    at = 0
    for f in m.fields:
        if f.is_text:
            yield f"    memcpy(to + {at}, m->{f.name}, {f.size});"
        else:
            yield f"    bb_put_{f.type}(to + {at}, m->{f.name});"
        at += f.size
    yield "}"
    yield f"static inline void bb_get_{low}(bb_{low} *m, const uint8_t *from) {{"
    at = 0
    for f in m.fields:
        if f.is_text:
            yield f"    memcpy(m->{f.name}, from + {at}, {f.size});"
        else:
            yield f"    m->{f.name} = bb_get_{f.type}(from + {at});"
        at += f.size
    yield "}"


# --- for people -----------------------------------------------------------------------------------


FRAMING = (
    "Then COBS (Cheshire and Baker 1999), then one zero byte. A receiver that lost its place waits for "
    "the next zero. A frame of an unknown type is counted and passed over; a body of the wrong length, "
    "a wrong CRC or a wrong stuffing is refused and counted."
)


def page(p: Protocol) -> str:
    """protocol.md."""
    lines = [
        "# The wire between board and program", "", f"Made {MADE}.", "",
        f"Level {p.level}; the oldest level still spoken is {p.least_level}. Numbers are little-endian.",
        "", "A frame is, before byte stuffing:", "",
        "| bytes | what |", "|---|---|",
        "| 1 | type of the message |", "| 4 | sequence: frames of this sender since it began, from 0 |",
        "| 8 | clock of the board in ticks as the frame was made (program: 0) |",
        f"| 0 to {p.most_body} | body |",
        "| 4 | CRC-32 (ISO 3309, as in zlib) over all before it |", "",
        *textwrap.wrap(FRAMING, LINE), "",
    ]  # fmt: skip
    for name, value, doc in p.constants:
        lines.append(f"- `{name}` = 0x{value:04X}: {doc}")
    for title, sender in (("From the board", "board"), ("From the program", "program")):
        lines += ["", f"## {title}"]
        for m in (m for m in p.messages if m.sender == sender):
            lines += ["", f"### {m.name} (0x{m.code:02X})", "", _sentence(m.doc)]
            if m.fields:
                lines += ["", "| at | type | field | unit | |", "|---|---|---|---|---|"]
            at = 0
            for f in m.fields:
                lines.append(f"| {at} | {f.type} | `{f.name}` | {f.unit} | {f.doc} |")
                at += f.size
            if m.tail:
                lines += ["", f"Then {m.tail}."]
    for name, doc, values in p.enums:
        lines += ["", f"## {name}", "", _sentence(doc), "", "| | | |", "|---|---|---|"]
        lines += [f"| {v} | `{n}` | {d} |" for n, v, d in values]
    return "\n".join([*lines, ""])


def files(p: Protocol, root: Path) -> dict[Path, str]:
    """What lies where in a checkout."""
    return {
        root / "src" / "breakerbench" / "wire" / "messages.py": python(p),
        root / "firmware" / "core" / "protocol.h": header(p),
        root / "firmware" / "protocol.md": page(p),
    }


def main(arguments: list[str], root: Path = ROOT) -> int:
    definition = root / "src" / "breakerbench" / "wire" / "protocol.toml"
    made = files(load(definition.read_text(encoding="utf-8")), root)
    status = 0
    for path, text in made.items():
        if arguments == ["--check"]:
            if not path.exists() or path.read_text(encoding="utf-8") != text:
                print(f"{path.relative_to(root)}: not what protocol.toml says; generate anew")
                status = 1
        else:
            path.write_text(text, encoding="utf-8", newline="\n")
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
