"""The job on the bench: which distributor, what has been done, where its recordings are. No Qt here.

Frozen values, written to the disk at each change, so that a crash loses nothing that was done.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar

OPEN, DONE, SKIPPED = "open", "done", "skipped"
STATE_FILE, SETTINGS_FILE = "job.json", "settings.json"
SCHEMA = 1


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


Kept = TypeVar("Kept", Job, Settings)


def result_path(recording: str) -> str:
    """Where the result of a recording is kept."""
    return f"{os.path.splitext(recording)[0]}.json"


def new_folder(root: str, tag: str) -> str:
    """A folder of its own for a job, made. Raises OSError."""
    slug = re.sub(r"[^A-Za-z0-9]+", "-", tag).strip("-")[:40] or "distributor"
    name = f"{time.strftime('%Y-%m-%d')}-{slug}"
    number = 1
    while True:
        path = Path(root) / (name if number == 1 else f"{name}-{number}")
        try:
            path.mkdir(parents=True)
            return str(path)
        except FileExistsError:
            number += 1


def save(value: Job | Settings, path: str) -> None:
    """Written beside and renamed. Raises OSError."""
    data = {"schema": SCHEMA, **asdict(value)}
    write_text(path, json.dumps(data, indent=1, sort_keys=True, allow_nan=False) + "\n")


def write_text(path: str, text: str) -> None:
    """Written beside, put on the disk, renamed. Raises OSError."""
    beside = f"{path}.part"
    try:
        with open(beside, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError:
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
    """The result that is kept beside a recording."""
    return _read(result_path(recording))


def save_result(recording: str, result: Mapping[str, Any]) -> None:
    """Beside its recording. Raises OSError."""
    write_text(result_path(recording), json.dumps(result, indent=1, allow_nan=False) + "\n")


def _read(path: str) -> dict[str, Any] | None:
    try:
        with open(path, encoding="utf-8") as file:
            data = json.load(file)
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        return None
    return data


def _job(data: Mapping[str, Any]) -> Job:
    steps = data.get("steps")
    told = {
        str(key): _of(StepState, each)
        for key, each in (steps.items() if isinstance(steps, dict) else ())
        if isinstance(each, dict)
    }
    job: Job = _of(Job, {k: v for k, v in data.items() if k not in ("steps", "faults")})
    faults = data.get("faults")
    named = tuple(str(each) for each in faults) if isinstance(faults, list | tuple) else ()
    return replace(job, steps=told, faults=named)


def _of(kind: type[Any], data: Mapping[str, Any]) -> Any:
    """The value with what of ``data`` fits it; the rest as it is by itself."""
    plain = kind()
    fitting = {}
    for each in fields(kind):
        value, own = data.get(each.name), getattr(plain, each.name)
        if each.name == "sim_gap_mm":
            fits = value is None or isinstance(value, float)
        elif isinstance(own, float):
            fits = isinstance(value, int | float) and not isinstance(value, bool)
        else:
            fits = type(value) is type(own)
        if each.name in data and fits:
            fitting[each.name] = value
    return kind(**fitting)
