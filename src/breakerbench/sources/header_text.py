"""The header of a recording as JSON text, and back: every field of trace.Header, checked by hand.

Keys are the attribute names of ``trace.Header``, ``Channel`` and ``EdgeChannel``. A key left out
has the default of that class; a key not known is passed over (a change of meaning raises the
version of the layout). The text comes from a file that may be damaged or hostile: each value is
checked for type, range and length before it is used.
"""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np

from breakerbench.sources.container import MAX_HEADER_TEXT
from breakerbench.sources.options import MAX_ENCODER_PULSES
from breakerbench.trace import EDGE_NAMES, KINDS, Channel, EdgeChannel, Header

MAX_CHANNELS = 64
MAX_TEXT = 4096
MAX_RATE_HZ = 1e9
MAX_VACUUM_STEPS = 10_000
MAX_NOTES_DEPTH = 16


class HeaderError(ValueError):
    """What is wrong with a header, naming the key."""


def encode_header(header: Header) -> bytes:
    """Header as JSON in UTF-8. Raises ValueError where the header could not be read back."""
    plain = dataclasses.asdict(header)
    plain["notes"] = dict(header.notes)
    text = json.dumps(plain, ensure_ascii=False, allow_nan=False, default=_plain).encode()
    if len(text) > MAX_HEADER_TEXT:
        raise HeaderError(f"it is longer than {MAX_HEADER_TEXT} bytes")
    decode_header(text)
    return text


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else str(value)


def decode_header(text: bytes) -> Header:
    """The header in this JSON text. Raises HeaderError, naming the key, for anything unsound."""
    try:
        plain = json.loads(text.decode(), parse_constant=_refuse_constant)
    except RecursionError as error:
        raise HeaderError("its JSON is nested too deeply") from error
    except HeaderError:
        raise
    except ValueError as error:
        raise HeaderError("it is not JSON") from error
    if not isinstance(plain, dict):
        raise HeaderError("it is not a JSON object")
    return _header(plain)


def _header(plain: dict[str, Any]) -> Header:
    channels = tuple(
        _channel(item, f"channels[{n}]")
        for n, item in enumerate(_items(plain, "channels", MAX_CHANNELS))
    )
    edges = tuple(
        _edge_channel(item, f"edge_channels[{n}]")
        for n, item in enumerate(_items(plain, "edge_channels", len(EDGE_NAMES)))
    )
    names = [c.name for c in channels] + [e.name for e in edges]
    if not names:
        raise HeaderError("it has no channels")
    if len(set(names)) < len(names):
        raise HeaderError("two channels have one name")
    pulses = plain.get("encoder_pulses")
    if pulses is not None and (type(pulses) is not int or not 0 < pulses <= MAX_ENCODER_PULSES):
        raise HeaderError("encoder_pulses is not a number of pulses")
    kind = _text(plain, "kind", "run")
    if kind not in KINDS:
        raise HeaderError("kind is none of " + ", ".join(KINDS))
    simulated = plain.get("simulated", False)
    if type(simulated) is not bool:
        raise HeaderError("simulated is not true or false")
    steps = []
    for n, step in enumerate(_items(plain, "vacuum_steps", MAX_VACUUM_STEPS)):
        if not isinstance(step, list) or len(step) != 2:
            raise HeaderError(f"vacuum_steps[{n}] is not a pair")
        where = f"vacuum_steps[{n}]"
        steps.append((_finite(step[0], where), _finite(step[1], where)))
    notes = plain.get("notes", {})
    if not isinstance(notes, dict) or not _shallow(notes, MAX_NOTES_DEPTH):
        raise HeaderError("notes is not an object, or nested too deeply")
    rate = _number(plain, "sample_rate_hz", None)
    if not 0 < rate <= MAX_RATE_HZ:
        raise HeaderError(f"sample_rate_hz is not between 0 and {MAX_RATE_HZ:g}")
    return Header(
        sample_rate_hz=rate,
        channels=channels,
        edge_channels=edges,
        encoder_pulses=pulses,
        kind=kind,
        simulated=simulated,
        origin=_text(plain, "origin", ""),
        supply_v=_optional(plain, "supply_v"),
        series_ohm=_optional(plain, "series_ohm"),
        temperature_c=_optional(plain, "temperature_c"),
        probe_ohm=_positive(plain, "probe_ohm"),
        pickup_sense=_sense(plain, "pickup_sense"),
        u_supply_share=_not_negative(plain, "u_supply_share"),
        u_series_share=_not_negative(plain, "u_series_share"),
        vacuum_steps=tuple(steps),
        notes=notes,
    )


def _channel(item: Any, where: str) -> Channel:
    plain = _object(item, where)
    rails = plain.get("rail_counts")
    if rails is not None:
        if not isinstance(rails, list) or len(rails) != 2:
            raise HeaderError(f"{where}.rail_counts is not a pair")
        name = f"{where}.rail_counts"
        rails = (_finite(rails[0], name), _finite(rails[1], name))
        if not rails[0] < rails[1]:
            raise HeaderError(f"{name} is not a lowest and a highest count")
    scale = _number(plain, "scale", 1.0, where)
    if scale == 0:
        raise HeaderError(f"{where}.scale is zero")
    u_delay_s = _number(plain, "u_delay_s", 0.0, where)
    if u_delay_s < 0:
        raise HeaderError(f"{where}.u_delay_s is negative")
    return Channel(
        name=_text(plain, "name", None, where),
        unit=_text(plain, "unit", None, where),
        scale=scale,
        zero=_number(plain, "zero", 0.0, where),
        offset_s=_number(plain, "offset_s", 0.0, where),
        delay_s=_number(plain, "delay_s", 0.0, where),
        u_delay_s=u_delay_s,
        rail_counts=rails,
        u_gain=_not_negative(plain, "u_gain", where),
        u_zero=_not_negative(plain, "u_zero", where),
    )


def _edge_channel(item: Any, where: str) -> EdgeChannel:
    plain = _object(item, where)
    name = _text(plain, "name", None, where)
    if name not in EDGE_NAMES:
        raise HeaderError(f"{where}.name is none of " + ", ".join(EDGE_NAMES))
    resolution_s = _number(plain, "resolution_s", 0.0, where)
    u_position_deg = _number(plain, "u_position_deg", 0.0, where)
    if not 0 <= resolution_s <= 1 or u_position_deg < 0:
        raise HeaderError(f"{where} has a resolution or an uncertainty out of range")
    return EdgeChannel(name, resolution_s, _number(plain, "delay_s", 0.0, where), u_position_deg)


def _shallow(value: Any, depth: int) -> bool:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return not inner or (depth > 0 and all(_shallow(item, depth - 1) for item in inner))


def _refuse_constant(name: str) -> float:
    raise HeaderError(f"it holds {name}")


def _items(plain: dict[str, Any], key: str, most: int) -> list[Any]:
    value = plain.get(key, [])
    if not isinstance(value, list):
        raise HeaderError(f"{key} is not a list")
    if len(value) > most:
        raise HeaderError(f"{key} has {len(value)} entries, at most {most} are possible")
    return value


def _object(value: Any, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise HeaderError(f"{where} is not an object")
    return value


def _text(plain: dict[str, Any], key: str, default: str | None, where: str = "") -> str:
    value = plain.get(key, default)
    if not isinstance(value, str) or len(value) > MAX_TEXT or not value.isprintable():
        raise HeaderError(f"{_join(where, key)} is not a text")
    if default is None and not value:
        raise HeaderError(f"{_join(where, key)} is not a text")
    return value


def _number(plain: dict[str, Any], key: str, default: float | None, where: str = "") -> float:
    return _finite(plain.get(key, default), _join(where, key))


def _optional(plain: dict[str, Any], key: str, where: str = "") -> float | None:
    return None if plain.get(key) is None else _number(plain, key, None, where)


def _not_negative(plain: dict[str, Any], key: str, where: str = "") -> float | None:
    value = _optional(plain, key, where)
    if value is not None and value < 0:
        raise HeaderError(f"{_join(where, key)} is negative")
    return value


def _sense(plain: dict[str, Any], key: str) -> int | None:
    value = plain.get(key)
    if value is None or (type(value) is int and value in (1, -1)):
        return value
    raise HeaderError(f"{key} is neither 1 nor -1")


def _positive(plain: dict[str, Any], key: str) -> float | None:
    value = _optional(plain, key)
    if value is not None and value <= 0:
        raise HeaderError(f"{key} is not above 0")
    return value


def _finite(value: Any, where: str) -> float:
    if type(value) in (int, float):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if math.isfinite(number):
            return number
    raise HeaderError(f"{where} is not a number")


def _join(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key
