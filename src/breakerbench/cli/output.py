"""Output files and folders: checked before the long work, renamed only when all went well."""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any

from breakerbench.errors import BadInput
from breakerbench.sources.files import cannot_write, written_beside


@contextmanager
def output(path: str, *inputs: str, device: bool = False, optional: bool = False) -> Iterator[Path]:
    """A place to write to, which becomes ``path`` when the block ends without an exception.

    It is made on entering, so that what cannot be written is said before any long work.
    ``inputs`` are files that must not be overwritten. A pipe or a terminal is written directly
    where ``device`` allows it. Where it is ``optional`` and the block takes it away, ``path`` goes
    too.

    Raises BadInput where the file cannot be made.
    """
    target = Path(os.path.realpath(path))
    refuse_input(path, *inputs)
    direct = device and target.exists() and not (target.is_file() or target.is_dir())
    with nullcontext(target) if direct else written_beside(path, optional) as part:
        try:
            if not direct:
                part.touch(exist_ok=False)
            yield part
        except OSError as error:
            if error.filename in (None, str(part)):  # no such folder; the disk is full
                raise cannot_write(path, error) from error
            raise


def refuse_input(path: str, *inputs: str) -> None:
    """Raises BadInput where ``path`` is one of the ``inputs``, which must not be overwritten."""
    target = Path(os.path.realpath(path))
    if any(_same(target, other) for other in inputs):
        raise BadInput(path, "is the input itself", "name another file for the output")


@contextmanager
def folder(path: str, own: Collection[str]) -> Iterator[Path]:
    """The folder ``path``, made where it does not exist.

    own  patterns of the names that the block may make in it: where the block fails, those that
         were not there before go, and so do the folders that were made. Nothing else is touched.

    Raises BadInput where it cannot be made.
    """
    target, made = Path(path), []
    try:
        missing = [each for each in (target, *target.parents) if not os.path.lexists(each)]
        for each in reversed(missing):
            each.mkdir(exist_ok=True)
            made.append(each)
        if not target.is_dir():
            raise BadInput(path, "is a file, not a folder", "name another folder")
        before = {each.name for each in target.iterdir()}
    except (OSError, ValueError) as error:
        _take_away(made)
        if isinstance(error, OSError):
            raise cannot_write(path, error) from error
        raise BadInput(path, f"is no name of a folder ({error})", "correct it") from error
    try:
        yield target
    except BaseException:
        for pattern in own:
            for leftover in target.glob(pattern):
                if leftover.name not in before:
                    with suppress(OSError):
                        leftover.unlink()
        _take_away(made)
        raise


def _take_away(made: Sequence[Path]) -> None:
    """Folders that were made, the innermost last; one that somebody has put something into stays."""
    for each in reversed(made):
        with suppress(OSError):
            each.rmdir()


def _same(target: Path, other: str) -> bool:
    try:
        return target.samefile(other)
    except (OSError, ValueError):  # one of them is not there
        return False


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    path.write_text(as_json(content), encoding="utf-8")


def as_json(content: Mapping[str, Any]) -> str:
    """JSON text with a closing line end. Raises ValueError for NaN: the contract has none."""
    return json.dumps(content, indent=2, allow_nan=False) + "\n"
