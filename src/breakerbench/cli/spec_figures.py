"""One figure of ``spec new``, or the two ends of one, asked for, checked and kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from breakerbench.cli import answers
from breakerbench.cli.dialogue import Dialogue
from breakerbench.judge.draft import Draft

#: Words that may stand after an angle.
DEG_WORDS = "deg degree degrees °"


def figure(
    dialogue: Dialogue,
    draft: Draft,
    place: str,
    question: str,
    explain: str,
    words: str = "",
    default: str | None = None,
    convert: Callable[[float], float] = float,
) -> None:
    """Ask for one number and keep it; ``place`` is table.key, ``convert`` brings it to its unit."""
    table, key = place.split(".")

    def read(text: str) -> Any:
        typed = answers.one(text, words, speed=key.endswith("_rpm"))
        return draft.fit_converted(table, key, typed, convert(typed))

    draft.put(table, key, dialogue.ask(question, read, explain, default))


def span(
    dialogue: Dialogue,
    draft: Draft,
    place: str,
    question: str,
    explain: str,
    example: str,
    words: str,
) -> None:
    """Ask for lowest and highest in one answer."""
    table, key = place.split(".")

    def read(text: str) -> Any:
        return draft.fit(table, key, answers.several(text, 2, example, words))

    asked = f"{question}, lowest and highest, like {example}"
    draft.put(table, key, dialogue.ask(asked, read, explain))
