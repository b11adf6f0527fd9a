"""Units in the head of a CSV: of a column, and of the sample interval or rate that it states."""

from __future__ import annotations

import re
from collections.abc import Mapping

from breakerbench.trace import SAMPLED_UNITS

_PREFIXES = {
    "": 1.0,
    "k": 1e3,
    "m": 1e-3,
    "u": 1e-6,
    "\u00b5": 1e-6,
    "\u03bc": 1e-6,
    "n": 1e-9,
    "p": 1e-12,
}
_WORDS = {
    "sec": "s", "second": "s", "seconds": "s", "volt": "V", "volts": "V", "amp": "A", "amps": "A",
    "ampere": "A", "amperes": "A", "millivolts": "mV", "milliseconds": "ms", "microseconds": "us",
    "hertz": "Hz", "hz": "Hz", "khz": "kHz", "S/s": "Hz", "Sa/s": "Hz", "kS/s": "kHz", "kSa/s": "kHz",
    "MHz": "kkHz", "MS/s": "kkHz", "MSa/s": "kkHz",
}  # fmt: skip
_UNITS = {prefix + base: (base, factor) for base in "sVA" for prefix, factor in _PREFIXES.items()}
_UNITS |= {"Hz": ("Hz", 1.0), "kHz": ("Hz", 1e3), "kkHz": ("Hz", 1e6)}
_BRACKETS = re.compile(r"(.*?)[ _]*(?:\(([^()]*)\)|\[([^\[\]]*)\])", re.DOTALL)
_QUANTITY = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([^\d\s.,]\S*)?")

_INTERVALS = re.compile(
    r"sampl\w* (interval|period|time)|time (step|base step|increment)|dt|delta t"
)
_RATES = re.compile(r"sampl\w* (rate|freq(uency)?)|samples (per|/) (s|sec|second)")


def unit_of(text: str) -> tuple[str, float] | None:
    """SI unit (``s``, ``V``, ``A``, ``Hz``) and factor of what is written for one, in brackets or
    without; None where it is none.
    """
    bare = text.strip().strip("()[]").strip()
    return _UNITS.get(_WORDS.get(bare, _WORDS.get(bare.lower(), bare)))


def split_unit(name: str) -> tuple[str, str]:
    """``CH1 (mV)`` as ``CH1`` and ``mV``; a bracket that holds no unit belongs to the name."""
    found = _BRACKETS.fullmatch(name)
    if found is None:
        return name, ""
    unit = found[2] if found[2] is not None else found[3]
    return (found[1], unit) if unit_of(unit) else (name, "")


def wanted_unit(channel: str) -> str:
    """Unit that a channel (or time_s) is in, in the end; "" for a logic line, which has none."""
    return "s" if channel == "time_s" else SAMPLED_UNITS.get(channel, "")


def stated_rate(notes: Mapping[str, object]) -> tuple[float, str] | None:
    """Sample rate in Hz that the head of the file states, and the words that it says so in.

    A figure without a unit is in s or Hz. None where nothing is stated, or two different ones are.
    """
    found: dict[float, str] = {}
    for key, text in notes.items():
        name, unit = split_unit(key.strip())
        plain = " ".join(re.split(r"[\s_-]+", name.strip().lower()))
        plain, ending = re.sub(r" (s|hz)$", "", plain), re.search(r" (s|hz)$", plain)
        kind = "s" if _INTERVALS.fullmatch(plain) else "Hz" if _RATES.fullmatch(plain) else ""
        quantity = _QUANTITY.fullmatch(" ".join(str(text).split()))
        if not kind or quantity is None:
            continue
        unit = quantity[2] or unit or (ending[1].capitalize() if ending else "")
        known = unit_of(unit) if unit and unit != "S" else (kind, 1.0)
        try:
            value = float(quantity[1].replace(",", "."))
        except ValueError:
            continue
        if known is None or known[0] != kind or not value > 0:
            continue
        value *= known[1]
        rate = 1 / value if kind == "s" else value
        found[float(f"{rate:.10g}")] = f"{key.strip()} {text}"
    return next(iter(found.items())) if len(found) == 1 else None
