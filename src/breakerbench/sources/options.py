"""What a person says of an import that the file itself does not say."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from breakerbench.errors import BadInput
from breakerbench.trace import EDGE_NAMES, KINDS, SAMPLED_UNITS, Header

MAX_ENCODER_PULSES = 1_000_000
MAX_RATE_HZ = 1e9
#: No front end shows a step later than this, s: a longer one is a slip of the pen.
MAX_DELAY_S = 0.01
#: An instrument less true than this measures nothing, percent.
MAX_ACCURACY_PERCENT = 50.0
#: What is told by a person may be told with its accuracy too: its name, and the field of the header.
TOLD_ACCURACY: Mapping[str, str] = {"supply": "u_supply_share", "series": "u_series_share"}
#: Every channel that an import may have.
CHANNEL_NAMES: tuple[str, ...] = (*SAMPLED_UNITS, *EDGE_NAMES)


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """Checked when made: raises BadInput naming the option.

    columns        channel name (or time_s) -> column name (CSV) or number (WAV)
    scales         channel name (or time_s) -> units of the channel per unit of the file
    delays         channel name -> delay of its front end, s
    accuracies     channel name, or one of TOLD_ACCURACY -> limits of its error, percent of the value
    kind           one of trace.KINDS
    supply_v, series_ohm, temperature_c   what no channel does; None where not told
    probe_ohm      resistance of the instrument across the condenser; None where not told
    pickup_sense   +1, -1: the way the pickup's pulses go with a coil connected right; None: not told
    encoder_pulses pulses of the encoder a revolution
    sample_rate_hz of a CSV that has no column of times
    vacuum_steps   (seconds from the first sample, kPa of vacuum) pairs
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    scales: Mapping[str, float] = field(default_factory=dict)
    delays: Mapping[str, float] = field(default_factory=dict)
    kind: str = "run"
    supply_v: float | None = None
    series_ohm: float | None = None
    temperature_c: float | None = None
    encoder_pulses: int | None = None
    vacuum_steps: tuple[tuple[float, float], ...] = ()
    sample_rate_hz: float | None = None
    accuracies: Mapping[str, float] = field(default_factory=dict)
    probe_ohm: float | None = None
    pickup_sense: int | None = None

    def __post_init__(self) -> None:
        for option, mapping in (
            ("--column", self.columns),
            ("--scale", self.scales),
            ("--delay", self.delays),
        ):
            for name in mapping:
                if name not in CHANNEL_NAMES and (name != "time_s" or option == "--delay"):
                    known = ", ".join(CHANNEL_NAMES)
                    raise BadInput(f"{option} {name}", "no such channel", f"one of {known}")
        for name, scale in self.scales.items():
            if not math.isfinite(scale) or scale == 0 or (name == "time_s" and scale < 0):
                raise BadInput(f"--scale {name}", f"{scale:g} is no scale", "a number, not zero")
        for name, delay_s in self.delays.items():
            if not abs(delay_s) <= MAX_DELAY_S:
                raise BadInput(f"--delay {name}", f"{delay_s:g} is no delay", "seconds, as 4e-6")
        for name, percent in self.accuracies.items():
            if name not in SAMPLED_UNITS and name not in TOLD_ACCURACY:
                known = ", ".join((*SAMPLED_UNITS, *TOLD_ACCURACY))
                raise BadInput(f"--accuracy {name}", "has no accuracy to tell", f"one of {known}")
            if not 0 <= percent <= MAX_ACCURACY_PERCENT:
                what = f"{percent:g} % is no accuracy to measure with"
                raise BadInput(f"--accuracy {name}", what, f"0 to {MAX_ACCURACY_PERCENT:g} percent")
        if self.probe_ohm is not None and not 0 < self.probe_ohm < math.inf:
            raise BadInput("--probe-ohm", f"{self.probe_ohm:g} is none", "above 0 ohm, as 10e6")
        if self.kind not in KINDS:
            raise BadInput(f"--kind {self.kind}", "no such kind", "one of " + ", ".join(KINDS))
        told = (("supply-v", self.supply_v), ("series-ohm", self.series_ohm))
        for option, value in (*told, ("temperature-c", self.temperature_c)):
            if value is not None and not math.isfinite(value):
                raise BadInput(f"--{option}", f"{value:g} is no number to use", "correct it")
        if self.encoder_pulses is not None and not 0 < self.encoder_pulses <= MAX_ENCODER_PULSES:
            what = f"{self.encoder_pulses} is no number of pulses"
            raise BadInput("--encoder-pulses", what, f"1 to {MAX_ENCODER_PULSES}")
        if self.sample_rate_hz is not None and not 0 < self.sample_rate_hz <= MAX_RATE_HZ:
            raise BadInput("--sample-rate", f"{self.sample_rate_hz:g} is none", "as 250000")
        for step in self.vacuum_steps:
            if not all(map(math.isfinite, step)):
                raise BadInput(
                    "--vacuum", "holds no number to use", "seconds and kPa, as 0:0,10:20"
                )

    def refuse_rate(self, where: str) -> None:
        """Raises BadInput where a sample rate is told of what has its own."""
        if self.sample_rate_hz is not None:
            raise BadInput(where, "has a sample rate of its own", "leave --sample-rate out")

    def told(self, header: Header, where: str) -> Header:
        """The header of a recording with what the person tells besides.

        Raises BadInput for columns, scales and delays: those are measured, and in the recording.
        """
        self.refuse_rate(where)
        for option, mapping in (
            ("--column", self.columns),
            ("--scale", self.scales),
            ("--delay", self.delays),
        ):
            if mapping:
                raise BadInput(
                    where, f"is a recording with its own {option[2:]}s", f"leave {option} out"
                )
        return self.told_besides(header)

    def told_besides(self, header: Header) -> Header:
        """The header with what no channel tells but the person does."""
        kind = header.kind if self.kind == "run" else self.kind
        values = (
            "supply_v", "series_ohm", "temperature_c", "encoder_pulses", "probe_ohm", "pickup_sense",
        )  # fmt: skip
        told = {name: getattr(self, name) for name in values if getattr(self, name) is not None}
        # Limits of an error of which nothing more is known: JCGM 100, 4.3.7.
        shares = {name: percent / 100 / math.sqrt(3) for name, percent in self.accuracies.items()}
        told |= {TOLD_ACCURACY[name]: u for name, u in shares.items() if name in TOLD_ACCURACY}
        told["channels"] = tuple(
            dataclasses.replace(c, u_gain=shares[c.name]) if c.name in shares else c
            for c in header.channels
        )
        if self.vacuum_steps:
            told["vacuum_steps"] = tuple(self.vacuum_steps)
        return dataclasses.replace(header, kind=kind, **told)


def says_simulated(notes: Mapping[str, object]) -> bool:
    """Do the "key: value" notes of an import say that a simulator made it?"""
    said = {key.strip().lower(): str(text).strip().lower() for key, text in notes.items()}
    return said.get("simulated") in ("true", "yes", "1")
