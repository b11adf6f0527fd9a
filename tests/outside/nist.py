"""Readers of the NIST/ITL StRD files in ``data``: observations and certified values."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data"

_NONLINEAR = re.compile(r"# (b\d): start1=(\S+) start2=(\S+) certified=(\S+) sd=(\S+)")
_LINEAR = re.compile(r"(B\d)=([-+.\deE]+)(?: sd=|\()([-+.\deE]+)")
_RESIDUAL = re.compile(r"(?:residual sd|rsd|Residual Standard Deviation)[=:]\s*([-+.\deE]+)")


@dataclass(frozen=True)
class Certified:
    """observations: shape (n, columns), y first; the rest one entry a parameter."""

    observations: np.ndarray
    parameters: np.ndarray
    sd: np.ndarray
    residual_sd: float
    starts: np.ndarray | None = None


def certified(name: str) -> Certified:
    lines = (DATA / f"nist_{name}.csv").read_text(encoding="utf-8").splitlines()
    comments = "\n".join(line for line in lines if line.startswith("#"))
    rows = [line for line in lines if not line.startswith("#")][1:]  # a header row leads
    observations = np.array([[float(cell) for cell in row.split(",")] for row in rows])
    nonlinear = _NONLINEAR.findall(comments)
    residual = _RESIDUAL.search(comments)
    assert residual is not None
    table = np.array(
        [
            [float(number) for number in match[1:]]
            for match in (nonlinear or _LINEAR.findall(comments))
        ]
    )
    return Certified(
        observations,
        parameters=table[:, -2],
        sd=table[:, -1],
        residual_sd=float(residual[1]),
        starts=table[:, :2].T if nonlinear else None,
    )


def analysis_of_variance(name: str) -> tuple[list[np.ndarray], float]:
    """Groups of a one-way analysis of variance, and the certified residual standard deviation."""
    text = (DATA / f"nist_{name}.dat").read_text(encoding="utf-8")
    residual = re.search(r"Certified Residual\s+Standard Deviation\s+(\S+)", text)
    assert residual is not None
    rows = re.findall(r"^\s+(\d+)\s+(\d+\.\d+)\s*$", text[text.index("Data:  Instrument") :], re.M)
    groups: dict[str, list[float]] = {}
    for group, value in rows:
        groups.setdefault(group, []).append(float(value))
    return [np.array(values) for values in groups.values()], float(residual[1])
