"""The specifications that can be chosen, and the copy that a job keeps of its own."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

from breakerbench.app.job import write_text
from breakerbench.bench import scenario
from breakerbench.judge.specification import (
    Specification,
    find_specification,
    library,
    load_specification,
)
from breakerbench.judge.writing import to_toml

#: Name of the invented distributor's specification: for the simulated bench.
DEMO = "demo"
#: The copy in the folder of a job.
COPY = "specification.toml"


def choices() -> list[tuple[str, str]]:
    """(what is shown, name) of those that come with the program."""
    found = [(find_specification(name).distributor.name, name) for name in library()]
    return [*found, (load(DEMO).distributor.name, DEMO)]


def load(name: str) -> Specification:
    """By name or path. Raises BadInput."""
    if name != DEMO:
        return find_specification(name)
    dry, coil = load_specification(scenario.SPECIFICATION), load_specification(scenario.ON_COIL)
    stated = {
        each.name: getattr(coil, each.name)
        for each in fields(coil)
        if each.name != "distributor" and getattr(dry, each.name) in (None, ())
    }
    return replace(dry, **stated)


def keep(name: str, folder: str) -> Specification:
    """The specification, with a copy in the folder of the job. Raises BadInput, OSError.

    A job is judged by its copy: what is changed in the original later does not change it.
    """
    path = str(Path(folder) / COPY)
    spec = load(name)  # refused, with the mend, before anything is copied
    if name == DEMO:
        text = to_toml(spec)
    else:
        text = Path(library().get(name, name)).read_text(encoding="utf-8-sig")
    write_text(path, text)
    return load_specification(path)
