"""A trace of any kind that the program can read, opened by what is in the file, not by its name."""

from __future__ import annotations

import os
import re

from breakerbench.errors import BadInput
from breakerbench.sources.container import MAGIC
from breakerbench.sources.files import StrPath, open_regular, reason
from breakerbench.sources.options import ImportOptions
from breakerbench.sources.recording import RecordingSource
from breakerbench.trace import Source

__all__ = ["ImportOptions", "open_trace"]

_READABLE = "what can be read are Breakerbench recordings, CSV, WAV and VCD"

_WAV = rb"(?:RIFF|RIFX|RF64)....WAVE"
#: The keywords that IEEE 1364 lets stand before the definitions end.
_VCD = rb"(?:\xef\xbb\xbf)?\s*\$(?:date|version|timescale|comment|scope|var|enddefinitions)\b"

#: How files begin that somebody may take for a trace, what they are, and the mend.
_OTHERS: tuple[tuple[bytes, str, str], ...] = (
    (rb"PK\x03\x04", "a spreadsheet or another ZIP file", "save the sheet as CSV, or unpack it"),
    (rb"\xd0\xcf\x11\xe0", "an old spreadsheet or document", "save the sheet as CSV"),
    (rb"\x1f\x8b|BZh|\xfd7zXZ|\x28\xb5\x2f\xfd|7z\xbc\xaf", "a compressed file", "unpack it"),
    (rb"\x89PNG|\xff\xd8\xff|GIF8|BM....\0\0\0\0", "a picture", "export the numbers as CSV"),
    (rb"%PDF", "a PDF document", "export the numbers as CSV"),
    (rb"\x89HDF", "an HDF5 file", "export it as CSV"),
    (rb"MATLAB ", "a MAT file", "export it as CSV"),
    (rb"SQLite format 3", "a database", _READABLE),
    (rb"\x7fELF|MZ", "a program", _READABLE),
    (rb"OggS|fLaC|ID3", "a sound file", _READABLE),
    (rb"\s*<[!?a-zA-Z]", "an XML or HTML text", "export it as CSV"),
    (rb"\s*[{\[]", "a JSON text", "export it as CSV"),
)


def open_trace(path: StrPath, options: ImportOptions | None = None) -> Source:
    """The trace in ``path``, whatever its name: a Breakerbench recording, CSV, WAV or VCD.

    Raises BadInput where it cannot be read, naming what it seems to be and what can be read.
    """
    where = os.fspath(path)
    file, _ = open_regular(path)
    try:
        with file:
            start = file.read(4096) or b""
    except OSError as error:
        mend = "check the disk, copy the file to another"
        raise BadInput(where, f"cannot be read ({reason(error)})", mend) from error
    if start.startswith(MAGIC[:4]):
        return RecordingSource(path, options)
    for begins, what, mend in _OTHERS:
        if re.match(begins, start, re.DOTALL):
            raise BadInput(where, f"seems to be {what}", mend)
    # Each import has a library of its own, and recordings need none.
    if re.match(_WAV, start, re.DOTALL):
        from breakerbench.sources.wav import WavSource  # noqa: PLC0415

        return WavSource(path, options)
    if re.match(_VCD, start):
        from breakerbench.sources.vcd import VcdSource  # noqa: PLC0415

        return VcdSource(path, options)
    # The parser takes 0.1 s and 27 MB to load, and recordings need none.
    from breakerbench.sources.csv import CsvSource  # noqa: PLC0415

    return CsvSource(path, options)
