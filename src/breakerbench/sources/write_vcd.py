"""Export to VCD (IEEE 1364 clause 18): ``real`` variables for what is sampled, wires for edges."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow  # type: ignore[import-untyped]
import pyarrow.compute  # type: ignore[import-untyped]
from numpy.typing import NDArray
from vcd import VCDWriter

from breakerbench.errors import BadInput
from breakerbench.sources.paired import Edges, Returns, names_of, paired, starts, values
from breakerbench.trace import Header, Source

SCOPE = "breakerbench"
_LAST_TICK = 1 << 62
#: Units of the time stamps, the coarsest first: name in the file, s.
_UNITS = (
    ("1 ns", 1e-9), ("100 ps", 1e-10), ("10 ps", 1e-11), ("1 ps", 1e-12), ("1 fs", 1e-15),
)  # fmt: skip


def timescale(header: Header) -> tuple[str, float]:
    """One unit of the time stamps: its name, and s.

    A thousandth of the sample time or less, and a whole part of every stated resolution of edges.
    """
    for name, unit_s in _UNITS:
        ticks = [each.resolution_s / unit_s for each in header.edge_channels if each.resolution_s]
        whole = all(t > 0.5 and abs(t - round(t)) < 1e-6 * t for t in ticks)
        if whole and unit_s * header.sample_rate_hz <= 1e-3:
            return name, unit_s
    return next((unit for unit in _UNITS if unit[1] * header.sample_rate_hz <= 1e-3), _UNITS[-1])


def write_vcd(
    path: Path,
    source: Source,
    where: str,
    facts: Sequence[str],
    report: Callable[[float, float], None] | None = None,
) -> None:
    """Write ``source`` to ``path``.

    Raises BadInput where the trace cannot be a VCD, OSError where the file cannot be written.
    """
    header = source.header
    if not header.channels:
        raise BadInput(where, "holds no sampled channel", "export it to a recording (.bbr)")
    name, unit_s = timescale(header)
    scale = 1 / (header.sample_rate_hz * unit_s)
    begin = starts(source)
    # A word of it that began with $ could end the comment; the format is of ASCII.
    comment = "\n".join(facts).replace("$", "?").encode("ascii", "replace").decode()
    with path.open("w", encoding="ascii", newline="\n") as file:
        writer = VCDWriter(file, timescale=name, date="", comment=comment)
        names = iter(names_of(header))
        ident = [writer.register_var(SCOPE, next(names), "real", 64).ident for _ in header.channels]
        wires = {
            e.name: writer.register_var(
                SCOPE, next(names), "wire", 1, int(begin[e.name].level)
            ).ident
            for e in header.edge_channels
        }
        writer.flush()
        # The library writes the definitions. The changes are written here, seven times as fast, and
        # every sample is one, also where it repeats its value: so the sampling shows.
        for block, edges in paired(Returns(source, begin), where, "VCD"):
            numbers = np.arange(block.first, block.first + len(block))
            ticks = np.rint(numbers * scale).astype(np.int64)
            parts: list[Any] = ["#", pyarrow.array(ticks).cast(pyarrow.string())]
            for channel, samples, code in zip(header.channels, block.samples, ident, strict=True):
                column = values(channel, samples, where)
                # The fewest digits that are the same float32 again.
                parts += ["\nr", pyarrow.array(column).cast(pyarrow.string()), f" {code}"]
            parts += ["\n", ""]  # the last one stands between the parts
            lines = pyarrow.compute.binary_join_element_wise(*parts).to_pylist()
            _insert(lines, ticks, edges, wires, unit_s)
            file.write("".join(lines))
            if report is not None:
                report(*source.progress())
        file.flush()
        os.fsync(file.fileno())


def _insert(
    lines: list[str],
    ticks: NDArray[np.int64],
    edges: Mapping[str, Edges],
    wires: Mapping[str, str],
    unit_s: float,
) -> None:
    """Put the edges before the sample that comes at their time or next, in order."""
    found = sorted(
        (min(max(0, round(at_s / unit_s)), _LAST_TICK), order, f"{int(up)}{wires[name]}")
        for name, (time_s, rising) in edges.items()
        for order, (at_s, up) in enumerate(zip(time_s.tolist(), rising.tolist(), strict=True))
    )
    rows = np.searchsorted(ticks, [tick for tick, *_ in found])
    lines.append("")
    for (tick, _, text), row in zip(reversed(found), rows[::-1].tolist(), strict=True):
        lines[row] = f"#{tick}\n{text}\n{lines[row]}"
