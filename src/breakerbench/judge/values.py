"""What one value of a specification file may be: type, range for its unit, order within itself.

Each check turns a raw TOML value into the value of the dataclass field, or raises `UnfitError` with
what is wrong and the mend; `specification` adds the file and the key.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


class UnfitError(Exception):
    """A value that cannot be used: what is wrong with it, and what the person can do."""

    def __init__(self, what: str, mend: str) -> None:
        self.what = what
        self.mend = mend
        super().__init__(what)


Check = Callable[[Any], Any]
#: Mend for a number out of range, from the number; "" where there is nothing better to say.
Hint = Callable[[float], str]


def shown(value: object, most: int = 40) -> str:
    """A value from a file as it may stand in a message: one line, printable, not long."""
    text = str(value)[: most + 1] if isinstance(value, str) else repr(value)[: most + 1]
    text = "".join(letter if letter.isprintable() else "?" for letter in text)
    return text if len(text) <= most else text[:most] + "..."


def no_hint(_: float) -> str:
    return ""


def instead(unit: str, factor: float, least: float, most: float) -> Hint:
    """Hint for a number that makes sense in another unit: ``25 thousandths are 0.635``."""

    def hint(number: float) -> str:
        converted = number * factor
        if least <= converted <= most:
            return f"if it is in {unit}, write {converted:.4g}"
        return ""

    return hint


def either(*hints: Hint) -> Hint:
    """The first hint that has something to say."""
    return lambda number: next((text for hint in hints if (text := hint(number))), "")


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number from ``least`` to ``most``; ``open_below`` leaves ``least`` itself out."""

    unit: str
    least: float
    most: float
    hint: Hint = no_hint
    open_below: bool = False

    def __call__(self, raw: Any) -> float:
        number = _number(raw)
        low_enough = number > self.least if self.open_below else number >= self.least
        if low_enough and number <= self.most:
            return number
        unit = f" {self.unit}" if self.unit else ""
        span = (
            f"above {self.least:g} and up to {self.most:g}{unit}"
            if self.open_below
            else f"from {self.least:g} to {self.most:g}{unit}"
        )
        mend = self.hint(number) or f"give a number {span}"
        raise UnfitError(f"{number:g} is no sensible figure in {self.unit or 'this place'}", mend)


def _number(raw: Any) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        quoted = isinstance(raw, str)
        mend = "write the number without quotes" if quoted else "write one number"
        raise UnfitError(f"a number is needed, not {_kind(raw)}", mend)
    try:
        number = float(raw)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise UnfitError("that is no ordinary number", "write one like 52.5, or leave the key out")
    return number


def _kind(raw: Any) -> str:
    """Type of a raw value in a person's words, with the value where it is short."""
    if isinstance(raw, bool):
        return "true" if raw else "false"
    if isinstance(raw, str):
        return f'the text "{shown(raw, 20)}"'
    if isinstance(raw, list):
        return "a list"
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, int | float):
        return f"the number {shown(raw, 20)}"
    return f"a {type(raw).__name__}"


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number from ``least`` to ``most``."""

    least: int
    most: int

    def __call__(self, raw: Any) -> int:
        number = _number(raw)
        if number != int(number):
            raise UnfitError(f"a whole number is needed, not {number:g}", "leave the decimals out")
        if not self.least <= number <= self.most:
            raise UnfitError(
                f"{number:g} is out of range",
                f"give a whole number from {self.least} to {self.most}",
            )
        return int(number)


@dataclass(frozen=True, slots=True)
class Text:
    """Text of 1 to ``most`` characters without control characters (line ends become blanks)."""

    most: int

    def __call__(self, raw: Any) -> str:
        if not isinstance(raw, str):
            raise UnfitError(f"text is needed, not {_kind(raw)}", 'write it in quotes: "..."')
        text = " ".join(raw.split())
        if not text:
            raise UnfitError("the text is empty", "write something in it")
        if not text.isprintable():
            raise UnfitError("the text holds control characters", "take them out")
        if len(text) > self.most:
            raise UnfitError(
                f"the text has {len(text)} characters", f"shorten it to {self.most} or fewer"
            )
        return text


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words."""

    words: tuple[str, ...]

    def __call__(self, raw: Any) -> str:
        if isinstance(raw, str) and raw in self.words:
            return raw
        options = " or ".join(f'"{word}"' for word in self.words)
        raise UnfitError(f"{_kind(raw)} is not understood", f"write {options}")


@dataclass(frozen=True, slots=True)
class Span:
    """``[low, high]`` of numbers that each pass ``number``."""

    number: Number

    def __call__(self, raw: Any) -> tuple[float, float]:
        if not isinstance(raw, list) or len(raw) != 2:
            raise UnfitError(f"two numbers are needed, not {_count(raw)}", "write [low, high]")
        low, high = (self.number(part) for part in raw)
        if low > high:
            raise UnfitError(
                f"the low end {low:g} is above the high end {high:g}",
                f"write [{high:g}, {low:g}] if that is meant",
            )
        return low, high


@dataclass(frozen=True, slots=True)
class ListOf:
    """A list of at most ``most`` entries that each pass ``entry``."""

    entry: Check
    most: int
    example: str

    def __call__(self, raw: Any) -> tuple[Any, ...]:
        if not isinstance(raw, list):
            raise UnfitError(f"a list is needed, not {_kind(raw)}", f"write {self.example}")
        if len(raw) > self.most:
            raise UnfitError(f"the list has {len(raw)} entries", f"give {self.most} or fewer")
        entries = []
        for place, part in enumerate(raw, start=1):
            try:
                entries.append(self.entry(part))
            except UnfitError as problem:
                raise UnfitError(f"entry {place}: {problem.what}", problem.mend) from None
        return tuple(entries)


@dataclass(frozen=True, slots=True)
class Band:
    """A band along a curve: rows ``[x, low, high]`` with x rising from row to row."""

    x: Number
    y: Number

    def __call__(self, raw: Any) -> tuple[tuple[float, float, float], ...]:
        form = f"[{self.x.unit}, low, high]"

        def row(part: Any) -> tuple[float, float, float]:
            if not isinstance(part, list) or len(part) != 3:
                raise UnfitError(f"three numbers are needed, not {_count(part)}", f"write {form}")
            x = self.x(part[0])
            low, high = Span(self.y)(part[1:])
            return x, low, high

        rows: tuple[tuple[float, float, float], ...] = ListOf(row, 200, f"[{form}, ...]")(raw)
        for place in range(1, len(rows)):
            before, here = rows[place - 1][0], rows[place][0]
            if here <= before:
                raise UnfitError(
                    f"row {place + 1}: {here:g} {self.x.unit} does not come after {before:g}",
                    f"put the rows in the order of rising {self.x.unit}, each once",
                )
        return rows


def _count(raw: Any) -> str:
    return f"{len(raw)}" if isinstance(raw, list) else _kind(raw)
