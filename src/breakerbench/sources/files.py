"""Opening what a person names, and writing beside and renaming: the faults told in plain words."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from io import FileIO
from pathlib import Path
from typing import Self

from breakerbench.errors import BadInput

StrPath = str | os.PathLike[str]


class Closing:
    """Something that is closed at the end of its ``with``."""

    def close(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def quoted(text: str, limit: int = 40) -> str:
    """Text of a file as it may stand in a message: short, one line, nothing a terminal obeys."""
    return repr(text if len(text) <= limit else text[:limit] + "...")


def printable(text: str, limit: int = 200) -> str:
    """Text of a file as it may be kept and shown: short, without control characters."""
    return "".join(c if c.isprintable() else "?" for c in text[:limit])


def open_regular(path: StrPath) -> tuple[FileIO, int]:
    """The file ``path`` opened for reading, unbuffered, and its size in bytes.

    Raises BadInput for everything that is not a readable file of a known size: a pipe or a device
    may never end, and reading one to find out what it is would lose its beginning.
    """
    where = os.fspath(path)
    try:
        mode = os.stat(where).st_mode
        if stat.S_ISDIR(mode):
            raise BadInput(where, "is a folder, not a file", "name the file in it")
        if not stat.S_ISREG(mode):
            raise BadInput(where, "is a device or a pipe, not a file", "save it to a file first")
        file = FileIO(where)
    except FileNotFoundError as error:
        raise BadInput(where, "there is no such file", "check the name and the folder") from error
    except PermissionError as error:
        raise BadInput(where, "may not be read", "check its permissions") from error
    except (OSError, ValueError) as error:
        raise BadInput(where, f"cannot be opened ({reason(error)})", "check the name") from error
    size = os.fstat(file.fileno()).st_size
    if size == 0:
        file.close()
        raise BadInput(where, "is empty", "record or export it again")
    return file, size


def reason(error: OSError | ValueError) -> str:
    """Why the system refused, in its own words and without the path."""
    text = error.strerror if isinstance(error, OSError) else str(error)
    return (text or type(error).__name__).lower()


def cannot_write(path: StrPath, error: OSError) -> BadInput:
    """The system's refusal to write ``path`` as the one line that a person sees."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return BadInput(os.fspath(path), "the disk is full", "make room or choose another disk")
    mend = {
        errno.ENOENT: "make the folder first",
        errno.ENOTDIR: "check the folder's name",
        errno.EACCES: "choose a folder that you may write to",
        errno.EPERM: "choose a folder that you may write to",
        errno.EROFS: "choose a folder that you may write to",
        errno.EEXIST: "choose another name",
        errno.ENAMETOOLONG: "choose a shorter name",
    }.get(error.errno or 0, "check the disk")
    return BadInput(os.fspath(path), f"cannot be written ({reason(error)})", mend)


@contextlib.contextmanager
def written_beside(path: StrPath, optional: bool = False) -> Iterator[Path]:
    """A name beside ``path`` to write to; renamed to ``path`` at the end, gone on any failure.

    optional  where nothing is there at the end, that is on purpose: ``path`` goes too

    Raises BadInput where ``path`` is something that must not be replaced, or cannot be.
    """
    try:
        target = Path(os.path.realpath(path))
        if target.is_dir():
            raise BadInput(os.fspath(path), "is a folder", "name a file in it")
        if target.exists() and not target.is_file():
            raise BadInput(os.fspath(path), "is a device or a pipe, not a file", "name a file")
        beside = target.with_name(f".{target.name[:200]}.{os.getpid()}.part")
    except OSError as error:
        raise cannot_write(path, error) from error
    except ValueError as error:
        raise BadInput(os.fspath(path), f"is no name of a file ({error})", "correct it") from error
    try:
        yield beside
        try:
            if optional and not beside.exists():
                target.unlink(missing_ok=True)
            else:
                os.replace(beside, target)
        except OSError as error:
            raise cannot_write(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink()
