"""What a person says of an imported file in one line: ``column points_v=CH1 scale points_v=100``."""

from __future__ import annotations

import shlex
from typing import Any

from breakerbench.errors import BadInput
from breakerbench.sources.options import CHANNEL_NAMES

#: Words of the line: those followed by NAME=VALUE, with the field they fill, and those by one number.
PAIRS = {"column": "columns", "scale": "scales", "delay": "delays"}
NUMBERS = {
    "encoder-pulses": "encoder_pulses", "supply-v": "supply_v", "series-ohm": "series_ohm",
    "temperature-c": "temperature_c", "sample-rate": "sample_rate_hz",
}  # fmt: skip
MEND = f"write {', '.join(PAIRS)} NAME=VALUE, or {', '.join(NUMBERS)} and a number"


def told(text: str) -> dict[str, Any]:
    """Fields of ImportOptions. Raises BadInput."""
    found: dict[str, Any] = {}
    try:
        parts = shlex.split(text)
    except ValueError as problem:
        raise BadInput(text, f"is not understood ({problem})", "close the quotes") from problem
    while parts:
        word = parts.pop(0).removeprefix("--")
        if not parts or word not in PAIRS.keys() | NUMBERS.keys():
            what = "a word that says nothing of a file" if parts else "nothing follows it"
            raise BadInput(word, what, MEND)
        value = parts.pop(0)
        if word in NUMBERS:
            found[NUMBERS[word]] = _number(word, value)
            continue
        name, _, value = value.partition("=")
        channels = (*CHANNEL_NAMES, "time_s")
        if name not in channels or not value:
            raise BadInput(
                f"{word} {name}", "is no channel with a value", f"use {', '.join(channels)}"
            )
        own = found.setdefault(PAIRS[word], {})
        own[name] = value if word == "column" else _number(f"{word} {name}", value)
    if "encoder_pulses" in found:
        found["encoder_pulses"] = _whole(found["encoder_pulses"])
    return found


def _whole(value: float) -> int:
    if not value.is_integer():
        raise BadInput(
            f"encoder-pulses {value:g}", "is no whole number", "give pulses a revolution"
        )
    return int(value)


def _number(where: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if value - value != 0.0:
        raise BadInput(f"{where} {text}", "is not a number", "use a decimal point")
    return value
