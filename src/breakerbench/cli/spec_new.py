"""``spec new``: a specification file from questions, read back as sentences before it is written."""

from __future__ import annotations

import os
import re
import shlex
import textwrap
from argparse import Namespace
from dataclasses import replace

from breakerbench.cli import answers
from breakerbench.cli.dialogue import WIDTH, Dialogue
from breakerbench.cli.output import output
from breakerbench.cli.spec_questions import ask_all
from breakerbench.errors import BadInput, harmless
from breakerbench.judge.specification import parse_specification
from breakerbench.judge.values import UnfitError
from breakerbench.judge.writing import to_toml
from breakerbench.papers.sentences import sentences

HOW = (
    "One question at a time. Enter takes what stands in brackets, - leaves a figure out, ? explains,"
    " < goes back, Ctrl-C stops and writes nothing."
)
ENDING = ".toml"


def run(args: Namespace) -> int:
    if args.out is not None and (wrong := _unfit_name(args.out)):
        raise BadInput(args.out, *wrong)
    dialogue = Dialogue()
    dialogue.tell(textwrap.fill(HOW, WIDTH))
    path, agreed = dialogue.hold(lambda: _place(dialogue, args.out))
    try:
        with output(path) as part:
            text = dialogue.hold(lambda: _ask_and_read_back(dialogue, path, agreed))
            if text is None:
                raise _DeclinedError
            part.write_text(text, encoding="utf-8", newline="\n")
    except _DeclinedError:
        print("Nothing was written.")
        return 0
    print(f"Written: {harmless(path)}")
    print(f"Use it: breakerbench analyze run.csv --spec {shlex.quote(harmless(path))}")
    return 0


class _DeclinedError(Exception):
    """The person does not want it written."""


def _place(dialogue: Dialogue, wanted: str | None) -> tuple[str, bool]:
    """The file to write, and whether the person agreed to replace one that is there."""

    def fit(text: str) -> str:
        text = os.path.expanduser(text)
        if wrong := _unfit_name(text):
            raise UnfitError(f"{text} {wrong[0]}", wrong[1])
        return text

    path = wanted
    while True:
        if path is None:
            path = dialogue.need(
                "File to write",
                fit,
                f"A new file whose name ends in {ENDING}; analyze and spec check take it by its name.",
                f"my-distributor{ENDING}",
            )
        if not os.path.lexists(path):
            return path, False
        if not os.path.isfile(path):
            return path, True  # a folder or a device: output() says so
        if _replace(dialogue, path):
            return path, True
        path = None


def _unfit_name(path: str) -> tuple[str, str] | None:
    """What is wrong with a name, and the mend. The ending keeps it apart from the library's names."""
    if os.path.basename(path).endswith(ENDING) and os.path.basename(path) != ENDING:
        return None
    stem = re.sub(r"[^\w.-]+", "-", os.path.basename(path)).strip(".-") or "my-distributor"
    return f"does not end in {ENDING}", f"write {stem.removesuffix(ENDING)}{ENDING}"


def _replace(dialogue: Dialogue, path: str) -> bool:
    return dialogue.need(
        f"{harmless(path)} is there already. Replace it? yes or no",
        answers.yes_no,
        "Yes writes the new specification over it, at the very end. No asks for another name.",
        "no",
    )


def _ask_and_read_back(dialogue: Dialogue, path: str, agreed: bool) -> str | None:
    """Text of the file, proven to read back; None: not to be written."""
    draft = ask_all(dialogue)
    text = to_toml(draft.specification(), draft.notes)
    spec = parse_specification(text.encode(), path)
    if replace(spec, warnings=()) != draft.specification():
        raise RuntimeError("the specification does not read back as it was given")
    dialogue.tell("\nThis is what it says:\n")
    for sentence in sentences(spec):
        dialogue.tell(textwrap.fill(sentence, WIDTH, subsequent_indent="  "))
    for warning in spec.warnings:
        dialogue.tell(textwrap.fill(f"WARNING: {warning}.", WIDTH, subsequent_indent="  "))
    dialogue.tell("")
    wanted = dialogue.need(
        f"Write it to {harmless(path)}? yes or no",
        answers.yes_no,
        "< goes back to mend an answer. No writes nothing.",
        None if spec.warnings else "yes",
    )
    if not wanted:
        return None
    if os.path.lexists(path) and not agreed and not _replace(dialogue, path):
        return None  # somebody else has made it since the beginning
    return text
