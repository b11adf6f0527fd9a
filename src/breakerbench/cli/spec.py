"""``spec list``, ``spec show``, ``spec check``, ``spec new``: the specification library."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from rich.text import Text

from breakerbench.cli import spec_new
from breakerbench.cli.main import BAD_INPUT, say
from breakerbench.cli.report import new_table, print_item, print_table
from breakerbench.cli.terminal import terminal
from breakerbench.errors import BadInput, harmless
from breakerbench.judge.specification import find_specification, library, load_specification
from breakerbench.judge.tables import TABLES, Specification
from breakerbench.papers.words import Shown, limits

#: Unit by the ending of a key, the longest ending first.
UNITS = (
    ("deg_per_mm", "deg per mm"),
    ("megohm", "megohm"),
    ("deg", "deg"),
    ("rpm", "rpm"),
    ("ohm", "ohm"),
    ("mm", "mm"),
    ("uf", "µF"),
    ("ms", "ms"),
    ("v", "V"),
    ("a", "A"),
    ("c", "deg C"),
)

#: What the first figure of a row of ``points`` or ``falling`` is.
ROW_UNITS = {"advance": "rpm", "vacuum": "kPa"}


def run(args: Namespace) -> int:
    return {"list": _list, "show": _show, "check": _check, "new": spec_new.run}[args.does](args)


def _list(_: Namespace) -> int:
    table = new_table("name", "lobes", "dwell, deg", "what it is")
    for name, path in library().items():
        spec = load_specification(path)
        dwell = limits(spec.dwell.min_deg, spec.dwell.max_deg, "", Shown()) if spec.dwell else "-"
        table.add_row(
            name,
            str(spec.distributor.lobes),
            dwell,
            Text(harmless(spec.distributor.name), style="bold"),
        )
        table.add_row("", "", "", Text(harmless(spec.distributor.source)), end_section=True)
    print_table(terminal(), "Specification library", table)
    return 0


def _show(args: Namespace) -> int:
    spec = find_specification(args.spec)
    shown = Shown(args.degrees, args.speed_basis)
    console = terminal()
    console.print(Text(harmless(spec.distributor.name), style="bold"))
    table = new_table("table", "key", "value", "unit")
    table.columns[1].no_wrap = True
    for key in TABLES:
        for row, (what, value, unit) in enumerate(_rows(spec, key, shown)):
            table.add_row(key if row == 0 else "", what, Text(value), unit)
        if getattr(spec, key) is not None:
            table.add_section()
    console.print(table)
    for warning in spec.warnings:
        print_item(console, "WARNING:", warning)
    console.print(Text(f"{shown} What is not stated is measured and not judged."))
    return 0


def _rows(spec: Specification, key: str, shown: Shown) -> Iterator[tuple[str, str, str]]:
    """(key, value, unit) of one table of the specification, as displayed."""
    table = getattr(spec, key)
    for each in fields(table) if table is not None else ():
        value, unit = getattr(table, each.name), unit_of(each.name)
        if value is None:
            continue
        if each.name in ("points", "falling"):
            at = ROW_UNITS[key]
            for place, low, high in value:
                figure = shown.number(place, at)
                yield (
                    f"{each.name} at {figure} {shown.unit(at)}",
                    limits(low, high, "deg", shown),
                    shown.unit("deg"),
                )
        else:
            yield each.name, _text(value, unit, shown), shown.unit(unit)


def unit_of(key: str) -> str:
    """The unit that the ending of a key states, "" where it has none."""
    return next((unit for ending, unit in UNITS if key.endswith(f"_{ending}")), "")


def _text(value: Any, unit: str, shown: Shown) -> str:
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, tuple):
        between = " to " if unit and len(value) == 2 else ", "
        return between.join(_text(each, unit, shown) for each in value)
    return f"{value * shown.factor(unit):.6g}"


def _check(args: Namespace) -> int:
    status = 0
    console = terminal()
    for name in args.specs:
        try:
            spec = find_specification(name)
        except BadInput as problem:
            say(str(problem))
            status = BAD_INPUT
            continue
        line = f"{harmless(name)}: in order, {harmless(spec.distributor.name)}"
        # Not folded: the name of a file is to be copied.
        console.print(Text(line), soft_wrap=True)
        for warning in spec.warnings:
            print_item(console, "WARNING:", warning)
    return status
