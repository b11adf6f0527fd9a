"""``simulate``: a recording from the simulated bench, and the truth about it beside it."""

from __future__ import annotations

from argparse import Namespace
from dataclasses import replace
from itertools import pairwise

from rich.text import Text

from breakerbench.bench.arm_for import healthy_arm
from breakerbench.bench.cam import cam_for
from breakerbench.bench.charging import Charging, SimulatedCharging
from breakerbench.bench.drive import Drive
from breakerbench.bench.electric_faults import ELECTRIC_FAULTS as ELECTRIC
from breakerbench.bench.electric_faults import on_a_coil
from breakerbench.bench.faults import CONDITIONS, FAULTS, LEVELS, set_condition, with_faults
from breakerbench.bench.feed import Feed
from breakerbench.bench.hand import by_hand
from breakerbench.bench.model import Bench
from breakerbench.bench.second import second_for
from breakerbench.bench.simulated import simulate
from breakerbench.bench.vacuum import VacuumUnit
from breakerbench.bench.weights import SprungWeights, weights_for
from breakerbench.cli.output import output, write_json
from breakerbench.cli.progress import progress
from breakerbench.cli.simulate_condenser import charging_of, only_with_condenser
from breakerbench.cli.terminal import terminal
from breakerbench.errors import BadInput, harmless
from breakerbench.sources.recording import write_recording

Plan = tuple[tuple[float, float], ...]

#: A sweep that shows all: steady and slow, up through the range, steady and fast.
PLAN: Plan = ((0.0, 300.0), (2.0, 300.0), (8.0, 2500.0), (10.0, 2500.0))
STEADY_S = 10.0
MOST_S = 3600.0
MOST_RPM = 10000.0

LOBES = 4
GAP_MM = 0.635
#: Where the weights start, bend and come to the stop, rpm and deg, where nothing else is asked for.
ADVANCE: Plan = ((480.0, 0.0), (950.0, 6.5), (1750.0, 11.5))
#: Their friction, as a share of what holds them at rest.
FRICTION_SHARE = 0.03
#: A run by hand: its length, s, and how long the contact may chatter as it opens, s.
HAND_S = 40.0
CHATTER_S = 0.002

#: Speed of the kind "coil", rpm; conversions a second that all channels share.
COIL_RPM = 300.0
CONVERSIONS_HZ = 500e3

#: Dwell where none is asked for, as a share of the pitch.
DWELL_SHARE = 0.58


def run(args: Namespace) -> int:
    """Write ``args.out`` and its truth. Returns the exit status."""
    if "list" in args.fault or "list" in args.condition:
        return _list()
    if not args.out:
        raise BadInput("breakerbench simulate", "--out is missing", "name the recording to write")
    if args.seed < 0:
        raise BadInput(f"--seed {args.seed}", "is below 0", "give a whole number from 0 up")
    try:
        bench = charging_of(args) if args.kind == "condenser" else bench_of(args)
        write_simulated(bench, args.seed, args.out)
    except ValueError as error:  # the bench says what it cannot be
        raise BadInput("breakerbench simulate", str(error), "change that option") from error
    seconds = bench.drive.seconds if isinstance(bench, Bench) else bench.seconds
    console = terminal()
    console.print(Text(f"{harmless(args.out)}: {seconds:g} s from the simulated bench (SIMULATED)"))
    console.print(Text(f"{harmless(truth_path(args.out))}: the truth about it"))
    return 0


def truth_path(path: str) -> str:
    """Where the truth about the recording ``path`` stands."""
    return f"{path}.truth.json"


def write_simulated(bench: Bench | Charging, seed: int, path: str) -> None:
    """The recording and its truth: both appear, or neither.

    Raises BadInput where one of them cannot be written, ValueError for an impossible bench.
    """
    with output(truth_path(path)) as truth:
        made = simulate(bench, seed) if isinstance(bench, Bench) else SimulatedCharging(bench, seed)
        write_json(truth, made.truth)
        with progress("simulating") as report:
            write_recording(path, made, report)


def bench_of(args: Namespace) -> Bench:
    """The bench that the options ask for. Raises BadInput or ValueError for an impossible one."""
    only_with_condenser(args)
    lobes = LOBES if args.lobes is None else args.lobes
    if not 1 <= lobes <= 12:
        raise BadInput(f"--lobes {lobes}", "a cam has 1 to 12 lobes", "give 1 to 12")
    pitch = 360.0 / lobes
    dwell = round(DWELL_SHARE * pitch, 1) if args.dwell_deg is None else args.dwell_deg
    if not 0.0 < dwell < pitch:
        raise BadInput(
            f"--dwell-deg {dwell:g}",
            f"dwell lies between 0 and the {pitch:g} deg from lobe to lobe",
            "give distributor degrees",
        )
    slow = ((0.0, COIL_RPM),)
    plan = slow if args.kind == "coil" and args.speed is None else args.speed
    bench = Bench(
        cam=cam_for(lobes, dwell, GAP_MM),
        weights=weights_of(args.advance),
        vacuum=VacuumUnit(),
        vacuum_steps=args.vacuum,
        drive=Drive(plan_of(plan, args.seconds)),
        feed=Feed(volts=float(args.system)),
    )
    bench = replace(bench, arm=healthy_arm(bench))
    bench = _with_second(bench, args, dwell)
    if args.kind == "hand":
        if args.speed is not None:
            raise BadInput("--speed", "a hand turns as it likes", "leave it out with --kind hand")
        seconds = plan_of(None, HAND_S if args.seconds is None else args.seconds)[-1][0]
        bench = replace(bench, drive=by_hand(args.seed, seconds), chatter_s=CHATTER_S)
    bench = _with_circuit(bench, args)
    bench = with_faults(bench, args.fault)
    for condition in args.condition:
        bench = set_condition(bench, condition)
    return bench


def _with_circuit(bench: Bench, args: Namespace) -> Bench:
    """The bench on the circuit and with the channels that are asked for."""
    channels = args.channels or bench.channels
    asking = [
        f"--fault {text}" for text in args.fault if text.partition("=")[0].strip() in ELECTRIC
    ]
    asking += [f"--channels {name}" for name in channels if name not in bench.channels]
    asking += ["--kind coil"] if args.kind == "coil" else []
    asking += [f"--probe {args.probe}"] if args.probe not in (None, "points") else []
    if asking and args.feed == "dry":
        raise BadInput(asking[0], "needs a coil", "leave out --feed dry")
    if asking or args.feed == "coil":
        bench = on_a_coil(bench)
        assert bench.ignition is not None
        # the bench hand reads a thermometer on the coil
        bench = replace(bench, temperature_c=bench.ignition.coil_c)
    rate_hz = args.sample_rate
    if rate_hz is None:
        rate_hz = min(bench.converter.sample_rate_hz, CONVERSIONS_HZ / len(channels))
    return replace(
        bench,
        channels=channels,
        probe_at=args.probe or "points",
        kind="coil" if args.kind == "coil" else "run",
        converter=replace(bench.converter, sample_rate_hz=rate_hz),
    )


def _with_second(bench: Bench, args: Namespace, dwell_deg: float) -> Bench:
    """The bench with a second set of points, where one is asked for."""
    if args.second_set is None:
        if args.points_set is not None:
            raise BadInput(
                f"--points-set {args.points_set}",
                "there is one set of points",
                "add --second-set AFTER, degrees that it opens after the first",
            )
        return bench
    after, own = args.second_set
    second = second_for(bench.cam, after, dwell_deg if own is None else own)
    connected = args.points_set or "both"
    said = f"second set of points, {after:g} deg after the first; connected: {connected}"
    return replace(bench, second=second, points_set=connected, notes=(*bench.notes, said))


def weights_of(curve: Plan | None) -> SprungWeights:
    """Weights by where they start, bend and come to the stop. Raises BadInput, ValueError."""
    points = ADVANCE if curve is None else curve
    if len(points) != 3 or points[0][1] != 0.0:
        raise BadInput(
            "--advance",
            "needs three points, the first of them at 0 deg",
            "give where the weights start, bend and come to the stop: 480:0,950:6.5,1750:11.5",
        )
    (start_rpm, _), bend, full = points
    return weights_for(start_rpm, bend, full, FRICTION_SHARE)


def plan_of(speed: Plan | None, seconds: float | None) -> Plan:
    """(s, rpm) pairs from 0 to the end of the run, cut or held on to ``seconds``.

    Raises BadInput for a length or a speed that is not possible.
    """
    plan = PLAN if speed is None else speed
    for _, rpm in plan:
        if not 0.0 <= rpm <= MOST_RPM:
            raise BadInput(
                f"--speed {rpm:g}", "is not a possible speed", f"give 0 to {MOST_RPM:g} rpm"
            )
    if plan[0][0] > 0.0:
        plan = ((0.0, plan[0][1]), *plan)
    end = seconds if seconds is not None else plan[-1][0] or STEADY_S
    if not 0.0 < end <= MOST_S:
        raise BadInput(f"--seconds {end:g}", "is not a possible length", f"give up to {MOST_S:g} s")
    return (*(point for point in plan if point[0] < end), (end, _speed_at(plan, end)))


def _speed_at(plan: Plan, time_s: float) -> float:
    for (before, slow), (after, fast) in pairwise(plan):
        if before <= time_s <= after:
            return slow + (fast - slow) * (time_s - before) / (after - before)
    return plan[-1][1]


def _list() -> int:
    levels = ", ".join(level.replace(" ", "-") for level in LEVELS)
    console = terminal()
    console.print(Text(f"--fault NAME=LEVEL (levels: {levels}): what is to be mended", "bold"))
    for name in FAULTS:
        console.print(Text(f"  {name}"))
    console.print(
        Text("--condition NAME: drive, sensors or wiring, no fault of the distributor", "bold")
    )
    for name in CONDITIONS:
        console.print(Text(f"  {name}"))
    return 0
