"""The questions of ``spec new``: from the distributor as a whole to the figures of each table.

Every answer goes through the checks of the specification file at once, in the file's own units, so
that a wrong one is said where it is given. What is empty is not stated: measured and not judged.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from breakerbench.cli import answers
from breakerbench.cli.dialogue import Dialogue
from breakerbench.cli.spec_curves import ask_advance, ask_vacuum
from breakerbench.cli.spec_electrics import ask_coil, ask_condenser, ask_contact, ask_spark
from breakerbench.cli.spec_figures import DEG_WORDS, figure
from breakerbench.judge.draft import Draft
from breakerbench.judge.values import UnfitError
from breakerbench.tools.convert import (
    CRANKSHAFT_TURNS,
    MM,
    dwell_change_deg_per_mm,
    dwell_of_percent,
    of_distributor,
    tidy,
    to_mm,
)

#: How a dwell may be stated, and what the unit is called in the questions.
DWELL_UNITS = {
    "distributor": "distributor degrees",
    "degrees": "distributor degrees",
    "crankshaft": "crankshaft degrees",
    "percent": "percent",
    "%": "percent",
}
GAP_UNITS = {
    "mm": "mm",
    "inches": "in",
    "in": "in",
    "thousandths": "thou",
    "thou": "thou",
}
#: What stands after a figure without harm.
WORDS = {"mm": "mm", "in": 'in inch inches "', "thou": "thou thousandths"}
DEGREES_ARE = "Degrees here are those of the distributor, half those of the crankshaft."


def ask_all(dialogue: Dialogue) -> Draft:
    """Every question from the first to the last."""
    draft = Draft()
    _distributor(dialogue, draft)
    sections: tuple[tuple[str, Callable[[Dialogue, Draft], None]], ...] = (
        ("a dwell", _dwell),
        ("a contact gap", _gap),
        ("limits of lobe spacing", _spacing),
        ("a limit of opening scatter", _scatter),
        ("limits of contact bounce", _bounce),
        ("a centrifugal advance", ask_advance),
        ("a vacuum advance", ask_vacuum),
        ("a contact drop", ask_contact),
        ("a coil", ask_coil),
        ("a condenser", ask_condenser),
        ("a spark", ask_spark),
    )
    for what, section in sections:
        stated = dialogue.need(
            f"Do your figures state {what}? yes or no",
            answers.yes_no,
            "No skips all questions about it: it is measured all the same, and not judged.",
            "no",
        )
        if stated:
            section(dialogue, draft)
    return draft


def _distributor(dialogue: Dialogue, draft: Draft) -> None:
    def keep(key: str, value: Any) -> None:
        draft.put("distributor", key, value)

    def fit(key: str) -> Callable[[Any], Any]:
        return lambda raw: draft.fit("distributor", key, raw)

    keep(
        "name",
        dialogue.need(
            "Name of the distributor, as you call it",
            fit("name"),
            "Stands on reports and papers: where it lies, its number, what it is from.",
        ),
    )
    keep(
        "source",
        dialogue.need(
            "Where are the figures from? Book and page",
            fit("source"),
            "A figure without its source proves nothing to a buyer. Figures measured on a good "
            "distributor, or common practice, are sources too: say so.",
        ),
    )
    keep(
        "lobes",
        dialogue.need(
            "Lobes of the cam, 1 to 12",
            lambda text: draft.fit("distributor", "lobes", answers.one(text, "lobe lobes")),
            "Count the corners that open the points: most often as many as cylinders.",
        ),
    )
    keep(
        "points_sets",
        dialogue.need(
            "Sets of breaker points, 1 or 2",
            lambda text: draft.fit("distributor", "points_sets", answers.one(text, "set sets")),
            "Two where the plate carries two pairs of contacts. A firing order of twice as many "
            "cylinders as lobes then says that they alternate, one of as many that they overlap.",
            "1",
        ),
    )
    turns = {"cw": "cw", "clockwise": "cw", "ccw": "ccw", "counterclockwise": "ccw"}
    keep(
        "rotation",
        dialogue.ask(
            "Rotation seen from the cap end: cw (clockwise) or ccw",
            lambda text: answers.choice(text, turns),
            "Look down on the rotor with the cap off. Like distributors differ: look at yours.",
        ),
    )
    keep(
        "firing_order",
        dialogue.ask(
            "Firing order, like 1-3-4-2",
            lambda text: draft.fit("distributor", "firing_order", answers.firing_order(text)),
            "The cylinders in the order of their sparks, each once.",
        ),
    )
    even = dialogue.need(
        "Are the lobes evenly spaced? yes or no",
        answers.yes_no,
        "No for some engines whose cylinders do not fire at even intervals.",
        "yes",
    )
    if not even:
        keep(
            "nominal_deg",
            dialogue.need(
                "Opening angles of the lobes, distributor degrees, like 0 80 180 260",
                lambda text: draft.fit(
                    "distributor", "nominal_deg", answers.numbers(text, DEG_WORDS)
                ),
                "One angle a lobe, rising, from lobe 1 on, below 360. " + DEGREES_ARE,
            ),
        )


def _dwell(dialogue: Dialogue, draft: Draft) -> None:
    lobes = draft.get("distributor", "lobes")
    unit = dialogue.need(
        "Is the dwell in degrees of the distributor, degrees of the crankshaft or percent?",
        lambda text: answers.choice(text, DWELL_UNITS),
        f"Percent counts of the {360.0 / lobes:g} distributor degrees that a lobe of yours has.",
        "distributor",
    )
    one = {"percent": dwell_of_percent(1.0, lobes), "crankshaft degrees": 1.0 / CRANKSHAFT_TURNS}
    words = "% percent" if unit == "percent" else DEG_WORDS

    def degrees(value: float) -> float:
        if unit == "percent":
            return dwell_of_percent(value, lobes)
        return of_distributor(value, unit.split()[0])

    def dwell(key: str, question: str, explain: str, default: str | None = None) -> None:
        place, asked = f"dwell.{key}", f"{question}, {unit}"
        figure(dialogue, draft, place, asked, explain, words, default, convert=degrees)

    dwell("min_deg", "Lowest dwell", "Less than this fails: the gap is too wide.")
    dwell("max_deg", "Highest dwell", "More than this fails: the gap is too close.")
    low, high = draft.get("dwell", "min_deg"), draft.get("dwell", "max_deg")
    aim = None
    if low is not None and high is not None and high - low >= 0.5:
        aim = f"{(low + 0.25 * (high - low)) / one.get(unit, 1.0):.1f}"
    dwell(
        "aim_deg",
        "Dwell to set with new points",
        "Low in the band, because the rubbing block beds in and dwell rises. A quarter up the band "
        "is common practice, no source. - leaves it out.",
        aim,
    )
    dwell(
        "max_variation_deg",
        "Greatest change of dwell over the speed range",
        "A worn bushing or a loose plate makes the dwell wander.",
    )
    if draft.get("distributor", "points_sets") == 2:
        both = " Percent here is of the pitch of a lobe too." if unit == "percent" else ""
        for key, which in (("both_min_deg", "Lowest"), ("both_max_deg", "Highest")):
            dwell(
                key,
                f"{which} dwell of both sets together",
                "The figures before are of each set alone, the other held open with a strip of "
                "insulating paper. Enter where your handbook has none for both." + both,
            )
    if unit in one:
        draft.notes["dwell"] = f"stated in {unit}"


def _gap(dialogue: Dialogue, draft: Draft) -> None:
    unit = dialogue.need(
        "Is the contact gap in mm, inches or thousandths of an inch?",
        lambda text: answers.choice(text, GAP_UNITS),
        "0.025 inch are 25 thousandths and 0.635 mm.",
        "mm",
    )
    long = {"mm": "mm", "in": "inches", "thou": "thousandths of an inch"}[unit]
    figure(
        dialogue,
        draft,
        "gap.nominal_mm",
        f"Contact gap, {long}",
        "Between the points, fully open.",
        WORDS[unit],
        convert=lambda value: to_mm(value, unit),
    )
    step = 0.1 if unit == "mm" else 1.0
    wider = "0.1 mm" if unit == "mm" else "one thousandth of an inch"
    in_mm = to_mm(step, "mm" if unit == "mm" else "thou")

    def change(text: str) -> Any:
        less = answers.one(text, DEG_WORDS)
        if less <= 0.0:
            raise UnfitError(
                "a wider gap shortens the dwell", "write how many degrees less, without a minus"
            )
        per_mm = dwell_change_deg_per_mm(less, in_mm)
        return draft.fit_converted("gap", "dwell_change_deg_per_mm", less, per_mm)

    found = dialogue.ask(
        f"How many distributor degrees less dwell does a gap wider by {wider} give?",
        change,
        "With it the advice says how far to turn. Measure it: dwell at two gaps. " + DEGREES_ARE,
    )
    draft.put("gap", "dwell_change_deg_per_mm", found)
    nominal = draft.get("gap", "nominal_mm")
    if unit != "mm" and nominal is not None:
        draft.notes["gap"] = f"stated as {tidy(nominal / MM[unit]):g} {long}"


def _spacing(dialogue: Dialogue, draft: Draft) -> None:
    ask = "distributor degrees, either way"
    figure(
        dialogue,
        draft,
        "spacing.max_error_deg",
        f"Greatest spacing error of a lobe, {ask}",
        "How far an opening may lie from its place in an even grid. " + DEGREES_ARE,
        DEG_WORDS,
    )
    figure(
        dialogue,
        draft,
        "spacing.max_interval_error_deg",
        f"Greatest error from one lobe to the next, {ask}",
        "90 degrees apart within 2 is an error of 2. " + DEGREES_ARE,
        DEG_WORDS,
    )


def _scatter(dialogue: Dialogue, draft: Draft) -> None:
    figure(
        dialogue,
        draft,
        "scatter.max_deg",
        "Greatest opening scatter (standard deviation), distributor degrees",
        "How much the opening of one lobe jumps from turn to turn. " + DEGREES_ARE,
        DEG_WORDS,
    )


def _bounce(dialogue: Dialogue, draft: Draft) -> None:
    figure(
        dialogue,
        draft,
        "bounce.settle_deg",
        "Bounce must have settled after, distributor degrees from the first touch",
        "Where nothing is stated, 0.5 degrees count. " + DEGREES_ARE,
        DEG_WORDS,
    )
    figure(
        dialogue,
        draft,
        "bounce.none_below_rpm",
        "No bounce below, rpm of the distributor",
        "Half the rpm of the engine.",
        "rpm",
    )
