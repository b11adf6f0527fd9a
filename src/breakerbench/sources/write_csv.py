"""Export to CSV, in the form that imports have: ``#`` lines, names, then numbers.

Times have as many decimals as put them within a ten-thousandth of the sample time; where the sample
time has a short decimal form they are exact. Every value has the fewest digits that name the same
float32 again (nine at most), so that reading it back loses nothing of a value.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyarrow  # type: ignore[import-untyped]
import pyarrow.csv  # type: ignore[import-untyped]
from numpy.typing import NDArray

from breakerbench.sources.paired import Levels, Returns, names_of, paired, starts, values
from breakerbench.trace import Source

MAX_DECIMALS = 15


def decimals_of(period_s: float) -> int:
    """Decimals of a time column with this sample time."""
    for decimals in range(MAX_DECIMALS + 1):
        ticks = period_s * 10.0**decimals
        if ticks > 0.5 and (abs(ticks - round(ticks)) <= 1e-9 * ticks or ticks >= 1e4):
            return decimals
    return MAX_DECIMALS


def write_csv(
    path: Path,
    source: Source,
    where: str,
    facts: Sequence[str],
    report: Callable[[float, float], None] | None = None,
) -> Levels:
    """Write ``source`` to ``path``. Returns what became of the edges.

    where  name of the input, for messages
    facts  lines for the head of the file

    Raises BadInput where the trace cannot be a table, OSError where the file cannot be written.
    """
    header = source.header
    begin = starts(source)
    levels = Levels(begin, header.sample_rate_hz)
    period_s = 1 / header.sample_rate_hz
    decimals = decimals_of(period_s)
    settings = pyarrow.csv.WriteOptions(include_header=False, quoting_style="none")
    with path.open("wb") as file:
        head = [*(f"# {fact}" for fact in facts), ",".join(["time_s", *names_of(header)]), ""]
        file.write("\n".join(head).encode())
        for block, edges in paired(Returns(source, begin), where, "CSV"):
            numbers = np.arange(block.first, block.first + len(block))
            columns = [_fixed(numbers, period_s, decimals)]
            for channel, samples in zip(header.channels, block.samples, strict=True):
                columns.append(pyarrow.array(values(channel, samples, where)))
            for level in levels.of(block, edges).values():
                columns.append(pyarrow.array(level.astype(np.int8)))
            sink = pyarrow.BufferOutputStream()
            table = pyarrow.table(columns, names=[str(n) for n in range(len(columns))])
            pyarrow.csv.write_csv(table, sink, settings)
            file.write(sink.getvalue())
            if report is not None:
                report(*source.progress())
        file.flush()
        os.fsync(file.fileno())
    return levels


def _fixed(numbers: NDArray[np.int64], period_s: float, decimals: int) -> pyarrow.Array:
    """Times with a fixed number of decimals, from whole units of the last one."""
    ticks = np.rint(numbers * (period_s * 10.0**decimals)).astype(np.int64)
    words = np.zeros((len(ticks), 2), "<i8")  # the library's decimals are of 128 bits
    words[:, 0] = ticks
    buffers = [None, pyarrow.py_buffer(words)]
    return pyarrow.Array.from_buffers(pyarrow.decimal128(38, decimals), len(ticks), buffers)
