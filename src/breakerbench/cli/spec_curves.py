"""The questions of ``spec new`` about advance curves, whose tables mislead most.

Which shaft the degrees are of, which shaft the rpm are of, and what else is already in the figures
are asked one by one and without a default: a wrong guess at any of them would give a curve that
looks right.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from breakerbench.cli import answers
from breakerbench.cli.dialogue import Dialogue
from breakerbench.cli.spec_figures import DEG_WORDS
from breakerbench.judge.draft import Draft
from breakerbench.judge.values import UnfitError
from breakerbench.tools.convert import KPA, alone, of_distributor, to_kpa

SPEEDS = {"distributor": "distributor", "engine": "engine", "crankshaft": "engine"}
SHAFTS = {"distributor": "distributor", "crankshaft": "crankshaft", "engine": "crankshaft"}
#: Rows of one table at most, as the file takes them.
MOST_ROWS = 200


@dataclass(frozen=True)
class Stated:
    """How a table states its advance.

    shaft    whose degrees
    taken    (what is in every figure too, its degrees of ``shaft``)
    by_row   what is in the figures too, but with each row its own
    """

    shaft: str
    taken: tuple[tuple[str, float], ...]
    by_row: tuple[str, ...]

    def alone(self, deg: float, row: tuple[float, ...] = ()) -> float:
        """One figure in distributor degrees, all else taken off."""
        return alone(deg, *(value for _, value in self.taken), *row, shaft=self.shaft)

    def __str__(self) -> str:
        off = [f"{value:.10g} degrees of {what}" for what, value in self.taken]
        off += [f"the {what} of each row" for what in self.by_row]
        return f"{self.shaft} degrees" + (f", {' and '.join(off)} taken off" if off else "")


def _stated(dialogue: Dialogue, *others: str) -> Stated:
    """Whose degrees, and what else is already in the figures: each asked by itself."""
    shaft = dialogue.need(
        "Are its degrees those of the distributor or of the crankshaft?",
        lambda text: answers.choice(text, SHAFTS),
        "A book for the engine gives crankshaft degrees, read at the flywheel or the pulley; a book "
        "for the distributor on a bench gives its own, half as many.",
    )
    taken: list[tuple[str, float]] = []
    by_row: list[str] = []
    for what in others:
        already = dialogue.need(
            f"Is the {what} already in the figures? yes or no",
            answers.yes_no,
            f"Then the table gives the sum as the engine has it. The {what} is taken off again. "
            "A table that begins at 0 degrees at low speed holds none.",
        )
        if not already:
            continue
        question = f"How many {shaft} degrees of {what} are in every figure"
        found: float | None
        if what == "static timing":
            explain = "As the engine is timed at rest; it is taken off every figure of the table."
            found = dialogue.need(question, _degrees, explain)
        else:
            explain = (
                "The same number is taken off every figure of the table. Where it differs from row "
                f"to row, answer nothing: each row is then asked for its own {what} as well."
            )
            found = dialogue.ask(question, _degrees, explain, empty="differs from row to row")
        if found is None:
            by_row.append(what)
        else:
            taken.append((what, found))
    return Stated(shaft, tuple(taken), tuple(by_row))


def _degrees(text: str) -> float:
    value = answers.one(text, DEG_WORDS)
    if not -90.0 <= value <= 90.0:
        raise UnfitError(f"{value:g} degrees cannot be", "give a number from -90 to 90")
    return value


def ask_advance(dialogue: Dialogue, draft: Draft) -> None:
    stated = _stated(dialogue, "static timing", "vacuum advance")
    engine = dialogue.need(
        "Are its speeds rpm of the distributor or of the engine?",
        lambda text: answers.choice(text, SPEEDS),
        "Asked apart from the degrees, because tables mix them. The distributor turns half as fast.",
    )

    def rpm(value: float) -> float:
        return of_distributor(value, engine)

    dialogue.tell(f"Rising speed, one row at a time: {engine} rpm, least and most {stated.shaft}")
    dialogue.tell("degrees. A row like 1200 6 10, or 1200 8 ±2; nothing when there are no more.")
    _rows(dialogue, draft, "advance", "points", stated, f"{engine} rpm", rpm)
    falling = dialogue.need(
        "Is there a table of its own for falling speed? yes or no",
        answers.yes_no,
        "Friction makes the weights come back late; some books allow for it.",
        "no",
    )
    if falling:
        dialogue.tell("Falling speed, the lowest speed first again:")
        _rows(dialogue, draft, "advance", "falling", stated, f"{engine} rpm", rpm)

    def hysteresis(text: str) -> Any:
        typed = answers.one(text, DEG_WORDS)
        raw = of_distributor(typed, stated.shaft)
        return draft.fit_converted("advance", "max_hysteresis_deg", typed, raw)

    draft.put(
        "advance",
        "max_hysteresis_deg",
        dialogue.ask(
            f"Greatest difference between rising and falling speed, {stated.shaft} degrees",
            hysteresis,
            "At one and the same speed.",
        ),
    )
    if "advance" in draft.tables:
        draft.notes["advance"] = f"stated as {engine} rpm, {stated}"


def ask_vacuum(dialogue: Dialogue, draft: Draft) -> None:
    unit = dialogue.need(
        "Is the vacuum in kPa, inHg, mbar or mmHg?",
        lambda text: answers.choice(text, {unit: unit for unit in KPA}),
        "Below the air outside. 10 inHg are 33.86 kPa; 100 mbar are 10 kPa.",
        "kPa",
    )
    stated = _stated(dialogue, "static timing", "centrifugal advance")
    dialogue.tell(f"One row at a time: {unit}, least and most {stated.shaft} degrees.")
    dialogue.tell("A row like 20 6 10, or 20 8 ±2; nothing when there are no more.")
    _rows(dialogue, draft, "vacuum", "points", stated, unit, lambda value: to_kpa(value, unit))
    if "vacuum" in draft.tables:
        draft.notes["vacuum"] = f"stated as {unit}, {stated}"


def _rows(
    dialogue: Dialogue,
    draft: Draft,
    table: str,
    key: str,
    stated: Stated,
    unit: str,
    convert: Callable[[float], float],
) -> None:
    """Row after row into the draft, until an empty answer."""
    rows: list[list[float]] = []
    extra = len(stated.by_row)
    first, word = ("1200" if "rpm" in unit else "20"), unit.split()[-1]
    form = ", ".join([unit, "least", "most", *stated.by_row])
    example = " ".join([first, "6", "10", *["5"] * extra])

    def read(text: str) -> list[float]:
        typed = answers.several(text, 3 + extra, example, f"{DEG_WORDS} {word}", word == "rpm")
        at, low, high, *others = typed
        row = [convert(at), *(stated.alone(each, tuple(others)) for each in (low, high))]
        before = rows[-1][0] if rows else None
        if before is not None and row[0] <= before:
            raise UnfitError(
                f"{at:g} does not come after the row before", f"give the rows in rising {word}"
            )
        try:
            draft.fit(table, key, [row])
        except UnfitError as problem:
            if row == typed:
                raise
            into = f"{row[0]:g} {'rpm' if word == 'rpm' else 'kPa'}, {row[1]:g} to {row[2]:g} deg"
            raise UnfitError(
                f"that is {into} of the distributor: {problem.what}", problem.mend
            ) from None
        return row

    while len(rows) < MOST_ROWS:
        row = dialogue.ask(
            f"Row {len(rows) + 1} ({form})",
            read,
            f"Like {example}: at {first} {unit} at least 6 and at most 10 degrees. Straight lines "
            "are drawn between the rows, and nothing is judged beyond the last.",
            empty="no more",
        )
        if row is None:
            break
        rows.append(row)
    else:
        dialogue.tell("That is as many as the file takes.")
    if rows:
        draft.put(table, key, draft.fit(table, key, rows))
