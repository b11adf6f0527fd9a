"""A specification as the text of a file: keys with their unit in words, rows on lines of their own."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from breakerbench.judge.specification import SCHEMA
from breakerbench.judge.tables import TABLES, Specification

HEAD = "Angles are distributor degrees and speeds distributor rpm, half those of the crankshaft."

#: Unit and meaning of a key, beside it in the file. Those of names and lists say themselves.
MEANS = {
    "distributor.rotation": "seen from the cap end: cw is clockwise",
    "distributor.nominal_deg": "opening angles of the lobes",
    "dwell.min_deg": "distributor degrees",
    "dwell.max_deg": "distributor degrees",
    "dwell.aim_deg": "what to set; low in the band, because the rubbing block beds in",
    "dwell.max_variation_deg": "over the speed range, distributor degrees",
    "dwell.both_min_deg": "two sets of points together, distributor degrees",
    "dwell.both_max_deg": "two sets of points together, distributor degrees",
    "gap.nominal_mm": "mm",
    "gap.dwell_change_deg_per_mm": "distributor degrees for a gap wider by 1 mm",
    "spacing.max_error_deg": "distributor degrees, either way",
    "spacing.max_interval_error_deg": "from one lobe to the next, distributor degrees, either way",
    "scatter.max_deg": "standard deviation, distributor degrees",
    "bounce.settle_deg": "distributor degrees after the first touch",
    "bounce.none_below_rpm": "distributor rpm",
    "advance.points": "distributor rpm, lowest and highest distributor degrees; speed rising",
    "advance.falling": "the same, speed falling",
    "advance.max_hysteresis_deg": "distributor degrees",
    "vacuum.points": "kPa below the air outside, lowest and highest distributor degrees",
    "contact.max_drop_v": "V",
    "contact.at_current_a": "A",
    "coil.supply_v": "V",
    "coil.resistance_ohm": "ohm, lowest and highest",
    "coil.at_temperature_c": "degrees Celsius",
    "coil.ballast_ohm": "ohm, lowest and highest; 0 where there is none",
    "coil.current_a": "A, lowest and highest",
    "condenser.capacitance_uf": "microfarad, lowest and highest",
    "condenser.min_leakage_megohm": "megohm",
    "spark.min_duration_ms": "ms",
    "spark.gap_mm": "mm",
}

#: Letters of text on one line; the reader takes 4,000, and a person fewer.
LINE = 88


def to_toml(spec: Specification, notes: Mapping[str, str] | None = None) -> str:
    """The specification as the text of a file that reads back the same.

    notes  remarks above a table, by its name: what the figures were before they were converted
    """
    lines = [f"# {HEAD}", f"schema = {SCHEMA}"]
    for name, kind in TABLES.items():
        table = getattr(spec, name)
        if table is None:
            continue
        lines += ["", f"[{name}]"]
        # no control character may end a remark early: what was typed is printable, the rest ours
        lines += [f"# {line}" for line in textwrap.wrap((notes or {}).get(name, ""), LINE)]
        for each in fields(kind):
            value = getattr(table, each.name)
            if value is not None:
                lines += _entry(each.name, value, MEANS.get(f"{name}.{each.name}", ""))
    return "\n".join(lines) + "\n"


def _entry(key: str, value: Any, means: str) -> Iterator[str]:
    remark = f"  # {means}" if means else ""
    if isinstance(value, tuple) and value and isinstance(value[0], tuple):
        yield f"{key} = [{remark}"
        yield from (f"    {json.dumps(row)}," for row in value)
        yield "]"
    elif isinstance(value, str) and len(value) > LINE:
        yield f'{key} = """\\'  # a backslash at the end joins the lines
        *parts, last = _parts(value)
        yield from (f"{_escaped(part)}\\" for part in parts)
        yield f'{_escaped(last)}"""{remark}'
    else:
        # text, numbers and lists of them are written alike in JSON and in TOML
        yield f"{key} = {json.dumps(value, ensure_ascii=False)}{remark}"


def _escaped(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)[1:-1]


def _parts(text: str) -> Iterator[str]:
    """Pieces of text, none with a blank in front: the join would eat it."""
    while text:
        end = LINE
        if text[end : end + 1] == " ":
            end += 1
        elif len(text) > end and (blank := text.rfind(" ", 0, end)) > 0:
            end = blank + 1
        yield text[:end]
        text = text[end:]
