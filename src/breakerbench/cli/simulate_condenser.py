"""``simulate --kind condenser``: the test of a condenser alone that the options ask for."""

from __future__ import annotations

from argparse import Namespace

from breakerbench.bench.charging import Charging, with_fault
from breakerbench.bench.faults import named_faults
from breakerbench.bench.front_end import Converter
from breakerbench.errors import BadInput

OPTIONS = ("capacitance_uf", "leakage_megohm", "series_ohm", "probe_ohm", "charges", "hold")
#: Options of a turning distributor, and what they are where nobody gives them.
OF_A_RUN: dict[str, object] = {
    "speed": None, "vacuum": (), "lobes": None, "dwell_deg": None, "second_set": None,
    "points_set": None, "advance": None, "seconds": None, "condition": [], "feed": None,
    "channels": None, "probe": None,
}  # fmt: skip
#: Time constants that a charge lasts, and the condenser is emptied for, s at least; the longest test.
CHARGED_FOR, LEAST_S, MOST_S = 10.0, 0.015, 600.0
#: Conversions a second that all channels share.
CONVERSIONS_HZ = 500e3


def only_with_condenser(args: Namespace) -> None:
    """Raises BadInput for an option of the condenser with another kind."""
    for name in OPTIONS:
        if getattr(args, name, None) is not None:
            raise BadInput(_option(name), "goes with a condenser alone", "add --kind condenser")


def charging_of(args: Namespace) -> Charging:
    """The test that the options ask for. Raises BadInput or ValueError for an impossible one."""
    for name, usual in OF_A_RUN.items():
        if getattr(args, name, usual) != usual:
            raise BadInput(_option(name), "is of no use with --kind condenser", "leave it out")
    for name in OPTIONS:
        value = getattr(args, name)
        if value is not None and (value < 0 or (value == 0 and name != "hold")):
            raise BadInput(f"{_option(name)} {value:g}", "is not possible", "give more than 0")
    plain = Charging()
    farad = plain.capacitance_f if args.capacitance_uf is None else args.capacitance_uf * 1e-6
    resistor = plain.resistor_ohm if args.series_ohm is None else args.series_ohm
    probe = plain.probe_ohm if args.probe_ohm is None else args.probe_ohm
    lasting = max(LEAST_S, CHARGED_FOR * farad * resistor)
    rate_hz = 0.5 * CONVERSIONS_HZ if args.sample_rate is None else args.sample_rate
    test = Charging(
        capacitance_f=farad,
        leakage_ohm=plain.leakage_ohm if args.leakage_megohm is None else args.leakage_megohm * 1e6,
        supply_v=float(args.system),
        told_supply_v=float(args.system),
        resistor_ohm=resistor,
        told_resistor_ohm=resistor,
        probe_ohm=probe,
        told_probe_ohm=probe,
        charges=plain.charges if args.charges is None else args.charges,
        charge_s=lasting,
        rest_s=LEAST_S,
        hold_s=plain.hold_s if args.hold is None else args.hold,
        converter=Converter(sample_rate_hz=rate_hz),
    )
    if test.seconds > MOST_S:
        raise BadInput(
            "breakerbench simulate", f"the test would last {test.seconds:.4g} s", "make it shorter"
        )
    for name, level in named_faults(args.fault):
        test = with_fault(test, name, level)
    return test


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"
