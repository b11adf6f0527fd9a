"""The job on the bench: which distributor, what has been done, where its recordings are. No Qt here.

Frozen values, written to the disk at each change, so that a crash loses nothing that was done.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, NoReturn

from breakerbench.errors import BadInput
from breakerbench.sources.files import open_regular

OPEN, DONE, SKIPPED = "open", "done", "skipped"
STATE_FILE, SETTINGS_FILE = "job.json", "settings.json"
SCHEMA = 1
#: No file of ours is larger, bytes; and no number that a person sets.
MOST_BYTES, MOST_NUMBER = 1 << 26, 1_000_000
#: Words that a field may hold, where not any will do.
WORDS = {
    "state": (OPEN, DONE, SKIPPED), "theme": ("", "light", "dark"),
    "degrees": ("distributor", "crankshaft"), "speed": ("distributor", "crankshaft"),
    "gap": ("mm", "inch"),
}  # fmt: skip
#: What a result must have to be one.
TABLES = (
    "trace", "speed", "dwell", "spacing", "scatter", "bounce", "missed", "advance", "vacuum",
    "contact", "coil", "condenser", "spark", "supply", "hand", "lost", "why",
)  # fmt: skip
LISTS = ("decisions", "findings", "notes", "warnings")


@dataclass(frozen=True)
class StepState:
    """How far a step has come.

    state      OPEN, DONE or SKIPPED; reason: why it was skipped, in the person's words
    recording  path of its recording; its result stands beside it, see `result_path`
    """

    state: str = OPEN
    reason: str = ""
    recording: str = ""


@dataclass(frozen=True)
class Job:
    """One distributor on the bench.

    tag     what the person calls it: a number on a label
    spec    name in the library or path of a specification; "": measured, not judged
    port    name of the port, "auto", or "sim" for the simulated board
    faults  of the simulated distributor, "name=level"
    folder  of its recordings
    """

    tag: str = ""
    spec: str = ""
    port: str = "auto"
    faults: tuple[str, ...] = ()
    sim_gap_mm: float | None = None
    folder: str = ""
    at: str = ""
    steps: Mapping[str, StepState] = field(default_factory=dict)

    def step(self, key: str) -> StepState:
        return self.steps.get(key, StepState())

    def with_step(self, key: str, **changes: Any) -> Job:
        return replace(self, steps={**self.steps, key: replace(self.step(key), **changes)})


@dataclass(frozen=True)
class Settings:
    """What a person sets once.

    theme           "light", "dark", or "" as the system has it
    degrees, speed  "distributor" or "crankshaft"; gap: "mm" or "inch"
    encoder_pulses  of the bench, a revolution; 0: no encoder
    probe_megohm    resistance of the input of the points, as its maker or a meter says
    coil_c          temperature of the coil, deg C; 0: not told
    foot_key        name of the key that the foot-switch sends; it does what the great button does
    folder          where jobs are kept
    """

    theme: str = ""
    degrees: str = "distributor"
    speed: str = "distributor"
    gap: str = "mm"
    encoder_pulses: int = 360
    probe_megohm: float = 10.0
    coil_c: float = 0.0
    foot_key: str = "F8"
    folder: str = ""
    last: Job | None = None
    current: str = ""  # folder of the job that is on the bench


def result_path(recording: str) -> str:
    """Where the result of a recording is kept."""
    return f"{os.path.splitext(recording)[0]}.json"


def new_folder(root: str, tag: str) -> str:
    """A folder of its own for a job, made. Raises OSError."""
    slug = re.sub(r"[^A-Za-z0-9]+", "-", tag).strip("-")[:40] or "distributor"
    name = f"{time.strftime('%Y-%m-%d')}-{slug}"
    Path(root).mkdir(parents=True, exist_ok=True)
    number = 1
    while True:
        path = Path(root) / (name if number == 1 else f"{name}-{number}")
        try:
            path.mkdir()
            return str(path)
        except FileExistsError:
            number += 1


def save(value: Job | Settings, path: str) -> None:
    """Written beside and renamed. Raises OSError."""
    data = {"schema": SCHEMA, **asdict(value)}
    write_text(path, json.dumps(data, indent=1, sort_keys=True, allow_nan=False) + "\n")


def write_text(path: str, text: str) -> None:
    """Written beside, put on the disk, renamed. Raises OSError."""
    beside = f"{path}.{os.getpid()}.part"  # another program may write the same file
    try:
        with open(beside, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(beside)
        raise


def load_job(folder: str) -> Job | None:
    """The job in this folder; None where there is none that can be read."""
    data = _read(os.path.join(folder, STATE_FILE))
    return None if data is None else _job(data)


def load_settings(path: str) -> Settings:
    """What was set; what cannot be read is as if it had never been set."""
    data = _read(path)
    if data is None:
        return Settings()
    last = data.pop("last", None)
    settings: Settings = _of(Settings, data)
    return replace(settings, last=_job(last) if isinstance(last, dict) else None)


def load_result(recording: str) -> dict[str, Any] | None:
    """The result that is kept beside a recording; None where it is none."""
    data = _read(result_path(recording))
    if data is None or not all(isinstance(data.get(name), dict) for name in TABLES):
        return None
    return data if all(isinstance(data.get(name), list) for name in LISTS) else None


def save_result(recording: str, result: Mapping[str, Any]) -> None:
    """Beside its recording. Raises OSError."""
    write_text(result_path(recording), json.dumps(result, indent=1, allow_nan=False) + "\n")


def _read(path: str) -> dict[str, Any] | None:
    try:
        file, size = open_regular(path)
        with file:
            text = file.read(MOST_BYTES) if size <= MOST_BYTES else b""
        data = json.loads(text or b"", parse_constant=_no_number)
    except (BadInput, OSError, ValueError, RecursionError):
        return None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        return None
    return data


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _job(data: Mapping[str, Any]) -> Job:
    steps = data.get("steps")
    told = {
        str(key): _of(StepState, each)
        for key, each in (steps.items() if isinstance(steps, dict) else ())
        if isinstance(each, dict)
    }
    job: Job = _of(Job, {k: v for k, v in data.items() if k not in ("steps", "faults")})
    faults = data.get("faults")
    named = tuple(faults) if isinstance(faults, list) else ()
    return replace(job, steps=told, faults=tuple(each for each in named if _is_text(each)))


def _of(kind: type[Any], data: Mapping[str, Any]) -> Any:
    """The value with what of ``data`` fits it; the rest as it is by itself."""
    plain = kind()
    fitting = {}
    for each in fields(kind):
        value: Any = data.get(each.name)
        if each.name == "sim_gap_mm":
            fits = isinstance(value, float) and math.isfinite(value)
        elif isinstance(getattr(plain, each.name), int):
            fits = type(value) is int and 0 <= value <= MOST_NUMBER
        elif isinstance(getattr(plain, each.name), float):
            fits = type(value) in (int, float) and abs(value) <= MOST_NUMBER
        else:
            fits = _is_text(value) and value in WORDS.get(each.name, (value,))
        if fits:
            fitting[each.name] = value
    return kind(**fitting)


def _is_text(value: object) -> bool:
    """Text that may be shown and name a file."""
    if not isinstance(value, str) or "\0" in value:
        return False
    try:
        os.fsencode(value)
    except UnicodeEncodeError:
        return False
    return True
