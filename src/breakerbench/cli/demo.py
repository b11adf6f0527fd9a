"""``demo``: the whole job on the simulated bench, told in plain words.

The distributor, its faults and the repair are a scenario of our own (`bench.scenario`); everything
that is said about it is measured from its trace, on the path that any recording takes.
"""

from __future__ import annotations

import shutil
from argparse import Namespace
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from breakerbench.bench import scenario
from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import simulate
from breakerbench.cautions import CAUTIONS
from breakerbench.cli.analyze import measured
from breakerbench.cli.output import folder as made_folder
from breakerbench.cli.output import output, write_json
from breakerbench.cli.pictures import Places
from breakerbench.cli.progress import progress
from breakerbench.cli.report import (
    named,
    new_table,
    print_decisions,
    print_item,
    print_remarks,
    print_table,
    print_title,
    word,
)
from breakerbench.cli.simulate import write_simulated
from breakerbench.cli.terminal import terminal
from breakerbench.errors import harmless
from breakerbench.judge.specification import Specification, load_specification
from breakerbench.papers.advice import advice
from breakerbench.papers.subject import Collected, Subject
from breakerbench.papers.words import Shown, limits
from breakerbench.pipeline import analyze

SPECIFICATION, ON_COIL = scenario.SPECIFICATION, scenario.ON_COIL
SEED = 1
#: Each run: its bench, and the specification that it is held against.
RUNS = {
    "before": (scenario.before, SPECIFICATION),
    "before-coil": (scenario.before_on_coil, ON_COIL),
    "after": (scenario.after, SPECIFICATION),
    "after-coil": (scenario.after_on_coil, ON_COIL),
}

Result = dict[str, Any]


def run(args: Namespace) -> int:
    """The job from beginning to end. Returns the exit status."""
    shown = Shown(args.degrees, args.speed_basis)
    console = terminal()
    results: dict[str, Result] = {}
    with ExitStack() as kept:
        folder = None
        if args.out is not None:
            folder = kept.enter_context(made_folder(args.out, ("demo*",)))
            # Made ready now: a picture that cannot be written is said before the long work.
            places = {which: Places(kept, str(folder / pictures(which))) for which in RUNS}
            for each in places.values():
                each.ready()
        _print_opening(console)

        def show(which: str) -> None:
            make, path = RUNS[which]
            spec = load_specification(path)
            result, drawn = _measured(make(), spec, folder, which)
            if folder is not None:
                places[which].draw(Subject(f"demo-{which}.bbr", result, spec, shown, *drawn))
            _print_run(console, result, shown)
            results[which] = result

        _print_heading(console, "1. As it came in, on a dry feed")
        show("before")
        _print_heading(console, "2. As it came in, on the coil")
        show("before-coil")

        _print_heading(console, "3. What to do")
        for which in ("before", "before-coil"):
            for text in advice(results[which], load_specification(RUNS[which][1]), shown):
                print_item(console, "-", text)

        _print_heading(console, "4. As it goes out")
        console.print(Text(f"Mended in this story: {'; '.join(scenario.after().notes)}."))
        show("after")
        show("after-coil")

        _print_heading(console, "5. Before against after")
        _print_comparison(console, results, shown)
        if folder is not None:
            for path in (SPECIFICATION, ON_COIL):
                with output(str(folder / path.name)) as part:
                    shutil.copyfile(path, part)
    _print_closing(console, folder)
    return 0


def pictures(which: str) -> str:
    """Name of the folder of the pictures of a run."""
    return f"demo-{which}-pictures"


def _measured(
    bench: Bench, spec: Specification, folder: Path | None, which: str
) -> tuple[Result, Collected]:
    """Result for a bench: through a recording where there is a folder for it, else directly.

    And what pictures need beside it, where there is a folder.
    """
    if folder is None:
        with progress(f"measuring {which}") as report:
            return analyze(simulate(bench, SEED), spec, report), Collected()
    recording = str(folder / f"demo-{which}.bbr")
    write_simulated(bench, SEED, recording)
    result, drawn = measured(recording, None, spec, collecting=True)
    with output(str(folder / f"demo-{which}.json")) as part:
        write_json(part, result)
    return result, drawn


def _print_opening(console: Console) -> None:
    title = "The job of a distributor bench, from intake to hand-over"
    print_title(console, title, simulated=True)
    console.print(Text("\nBefore you work on a real bench:", style="bold"))
    for caution in CAUTIONS:
        print_item(console, "!", caution)


def _print_heading(console: Console, text: str) -> None:
    console.print(Text(f"\n== {text}", style="bold"))


def _print_run(console: Console, result: Result, shown: Shown) -> None:
    speed, trace = result["speed"], result["trace"]
    said = f"{trace['seconds']:.1f} s on the simulated bench"
    if trace["kind"] == "run":
        low, high = (speed[key] * shown.factor("rpm") for key in ("min_rpm", "max_rpm"))
        said += (
            f", {speed['revolutions']} revolutions, {low:,.0f} to {high:,.0f} {shown.unit('rpm')}, "
            f"angle from {trace['reference']}"
        )
    console.print(Text(f"{said}."))
    print_remarks(console, result, shown)
    print_decisions(console, result, shown)


def _print_comparison(console: Console, results: dict[str, Result], shown: Shown) -> None:
    table = new_table("figure", "before", "after", "limits", "unit", right=(1, 2))

    def decided(*runs: str) -> list[dict[str, Any]]:
        return [one for which in runs for one in results[which]["decisions"]]

    later = {(one["what"], one.get("at")): one for one in decided("after", "after-coil")}
    for old in decided("before", "before-coil"):
        # A place between the points of a curve is decided on only where it is worse than these.
        new = later.get((old["what"], old.get("at")))
        if new is None:
            continue
        unit = old["unit"]
        cells = [
            Text(f"{shown.number(one['value'], unit, one['u'])}\n{word(one)}") for one in (old, new)
        ]
        table.add_row(
            named(old, shown),
            *cells,
            limits(old["low"], old["high"], unit, shown),
            shown.unit(unit),
        )
    print_table(console, "Decisions, before against after", table)
    console.print(Text(f"± is an expanded uncertainty, 95.45 %. {shown}"))


def _print_closing(console: Console, folder: Path | None) -> None:
    if folder is None:
        console.print(Text("\nNothing was written: --out DIR keeps the recordings and results."))
        return
    where = harmless(str(folder))
    console.print(
        Text(
            f"\nIn {where}: the four recordings, the truth about them, their results, and pictures of "
            f"each ({pictures('before')} and so on)."
        )
    )
    console.print(Text("Look at one again with"))
    console.print(
        Text(f"  breakerbench analyze {where}/demo-before.bbr --spec {where}/demo.toml"),
        soft_wrap=True,
    )
