"""Finding and reading a specification file: what a distributor is to be like.

TOML by the contract in DEVELOPERS.md. `tables` holds what the file may say, `values` the checks of
single values, `consistency` those that concern several keys. Whatever is wrong is one `BadInput`
with file, key and mend; what is odd but possible is kept in ``Specification.warnings``.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, fields, replace
from pathlib import Path
from typing import Any

from breakerbench.errors import BadInput
from breakerbench.judge.consistency import contradictions, oddities
from breakerbench.judge.tables import TABLES, Specification
from breakerbench.judge.values import UnfitError, shown

__all__ = [
    "Specification",
    "find_specification",
    "library",
    "load_specification",
    "parse_specification",
]

SCHEMA = 1
#: Bytes; a specification is some 2 kB, and a hostile one is to cost nothing.
MAX_FILE_BYTES = 65536
#: Characters; the TOML parser takes time by the square of the parts of one dotted key (measured:
#: 18 s for 60 kB in one line, 0.1 s at this length).
MAX_LINE = 4000

LIBRARY = Path(__file__).parent / "library"

#: What to write where a required key is missing.
_MISSING_MENDS = {
    "name": 'write name = "..."',
    "lobes": "write lobes = 4, or as many as its cam has",
    "source": 'write source = "..." and say where the figures come from',
}


def library() -> dict[str, Path]:
    """The specifications that come with the program: name to file, in order of the names."""
    return {path.stem: path for path in sorted(LIBRARY.glob("*.toml"))}


def find_specification(name_or_path: str) -> Specification:
    """Load by the name of a library entry or by the path of a file.

    Raises BadInput where it is neither, naming what comes near.
    """
    known = library()
    if name_or_path in known:
        return load_specification(known[name_or_path])
    if name_or_path.endswith(".toml") or "/" in name_or_path or "\\" in name_or_path:
        return load_specification(name_or_path)
    try:
        is_file = Path(name_or_path).is_file()
    except (OSError, ValueError):  # a name that no file can have
        is_file = False
    if is_file:
        return load_specification(name_or_path)
    near = difflib.get_close_matches(name_or_path, known, n=3, cutoff=0.4) or list(known)
    raise BadInput(
        f"specification {shown(name_or_path)}",
        "neither a name in the library nor a file",
        f"the library has {', '.join(near)}",
    )


def load_specification(path: str | Path) -> Specification:
    """Read and check one file. Raises BadInput with the file, the key in it and the mend."""
    where = shown(str(path), 200)
    try:
        if Path(path).is_dir():
            raise BadInput(where, "is a folder", "give the specification file in it")
        if not Path(path).exists():
            raise BadInput(where, "there is no such file", "check the name and the folder")
        if not Path(path).is_file():
            raise BadInput(where, "is not an ordinary file", "copy it to a file first")
        with Path(path).open("rb") as stream:
            content = stream.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadInput(where, f"cannot be read: {shown(reason, 80)}") from error
    return parse_specification(content, where)


def parse_specification(content: bytes, where: str) -> Specification:
    """Check the bytes of a specification file; ``where`` is its name in messages."""
    if len(content) > MAX_FILE_BYTES:
        raise BadInput(
            where,
            f"is larger than {MAX_FILE_BYTES // 1024} kB",
            "a specification is a short text; check that this is the right file",
        )
    raw = _parse_toml(content, where)
    schema = raw.pop("schema", None)
    if isinstance(schema, bool) or schema != SCHEMA:
        what = "is missing" if schema is None else f"{shown(schema)} is not known"
        if schema == str(SCHEMA):
            what = "is text, a number is needed"
        raise BadInput(f"{where} schema", what, f"write schema = {SCHEMA} on the first line")
    for name in raw:
        if name not in TABLES:
            raise BadInput(
                f"{where} {f'[{shown(name)}]' if isinstance(raw[name], dict) else shown(name)}",
                "no such table or key",
                _nearest_table(name, raw[name]),
            )
        if not isinstance(raw[name], dict):
            raise BadInput(f"{where} {name}", "is a table", f"write [{name}] on a line of its own")
    if "distributor" not in raw:
        raise BadInput(
            f"{where} [distributor]", "is missing", "add it, with name, lobes and source"
        )
    tables = {
        name: _read_table(where, name, kind, raw[name], raw["distributor"])
        for name, kind in TABLES.items()
        if name in raw
    }
    specification = Specification(**tables)
    for key, what, mend in contradictions(specification):
        raise BadInput(f"{where} {key}", what, mend)
    return replace(specification, warnings=tuple(oddities(specification)))


def _parse_toml(content: bytes, where: str) -> dict[str, Any]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = content.count(b"\n", 0, error.start) + 1
        raise BadInput(
            f"{where} line {place}", "is not UTF-8 text", "save the file as UTF-8"
        ) from error
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > MAX_LINE:
            raise BadInput(
                f"{where} line {number}",
                f"is longer than {MAX_LINE} characters",
                "break it; lists may go over several lines",
            )
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise BadInput(
            where, "is nested too deeply", "keep to the tables of the contract"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(
            where,
            f"is not valid TOML: {shown(str(error), 120)}",
            "numbers take a decimal point, text takes quotes, each key stands once",
        ) from error
    except ValueError as error:  # the interpreter's own limit of digits
        raise BadInput(where, "a number in it has thousands of digits", "shorten it") from error


def _read_table(
    where: str, name: str, kind: type, raw: dict[str, Any], distributor: dict[str, Any]
) -> Any:
    known = {each.name: each for each in fields(kind)}
    for key, value in raw.items():
        if key not in known:
            mend = _other_unit(key, value, known, distributor) or _nearest_key(key, name, known)
            raise BadInput(f"{where} [{name}] {shown(key)}", "no such key", mend)
    values = {}
    for key, each in known.items():
        if key in raw:
            try:
                values[key] = each.metadata["check"](raw[key])
            except UnfitError as problem:
                raise BadInput(f"{where} [{name}] {key}", problem.what, problem.mend) from None
        elif each.default is MISSING:
            raise BadInput(f"{where} [{name}] {key}", "is missing", _MISSING_MENDS[key])
    return kind(**values)


# --- mends ------------------------------------------------------------------------------------

#: Units people write that are not ours: name ending, the ending that is ours, factor.
_UNITS: tuple[tuple[str, str, float], ...] = (
    ("in", "mm", 25.4),
    ("inch", "mm", 25.4),
    ("thou", "mm", 0.0254),
    ("mil", "mm", 0.0254),
    ("um", "mm", 0.001),
    ("crank_deg", "deg", 0.5),
    ("crankshaft_deg", "deg", 0.5),
    ("rad", "deg", 57.29577951308232),
    ("mv", "v", 1e-3),
    ("ma", "a", 1e-3),
    ("milliohm", "ohm", 1e-3),
    ("kohm", "ohm", 1e3),
    ("nf", "uf", 1e-3),
    ("pf", "uf", 1e-6),
    ("f", "uf", 1e6),
    ("ohm", "megohm", 1e-6),
    ("s", "ms", 1e3),
    ("us", "ms", 1e-3),
)


def _other_unit(
    key: str, value: Any, known: Mapping[str, Any], distributor: Mapping[str, Any]
) -> str:
    """Mend for a known key with another unit at its end; "" where it is not that."""
    for ending, ours, factor in (*_UNITS, ("percent", "deg", _percent_factor(distributor))):
        wanted = key.removesuffix(ending) + ours
        if not key.endswith("_" + ending) or wanted not in known:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if number and factor and abs(value) < 1e9:  # also keeps out what is not finite
            return f"{ours} is the unit here: write {wanted} = {value * factor:.4g}"
        return f"{ours} is the unit here: write {wanted}"
    stem = key.rpartition("_")[0]
    same = [name for name in known if stem and name.rpartition("_")[0] == stem]
    return f"the unit here is another: {same[0]}" if same else ""


def _percent_factor(distributor: Mapping[str, Any]) -> float:
    """Degrees of one percent dwell, 0 where the file has no usable number of lobes."""
    lobes = distributor.get("lobes")
    usable = isinstance(lobes, int) and not isinstance(lobes, bool) and 1 <= lobes <= 12
    return 3.6 / lobes if usable and lobes else 0.0


def _nearest_key(key: str, table: str, known: Mapping[str, Any]) -> str:
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    if near:
        return f"did you mean {near[0]}"
    elsewhere = [
        name
        for name, kind in TABLES.items()
        if name != table and key in {each.name for each in fields(kind)}
    ]
    if elsewhere:
        return f"it belongs in [{elsewhere[0]}]"
    return f"[{table}] knows {', '.join(known)}"


def _nearest_table(name: str, value: Any) -> str:
    if not isinstance(value, dict):
        for table, kind in TABLES.items():
            if name in {each.name for each in fields(kind)}:
                return f"it belongs in [{table}]"
    near = difflib.get_close_matches(name, TABLES, n=1, cutoff=0.6)
    if near:
        return f"did you mean [{near[0]}]"
    return f"the tables are {', '.join(TABLES)}"
