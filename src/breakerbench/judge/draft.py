"""A specification that is being made: every figure is checked as it comes, alone and with the rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any

from breakerbench.judge.consistency import contradictions
from breakerbench.judge.tables import TABLES, Distributor, Specification
from breakerbench.judge.values import UnfitError


class Draft:
    """Figures by table and key, in the units of the file, each accepted by the file's own checks."""

    def __init__(self) -> None:
        self.tables: dict[str, dict[str, Any]] = {}
        #: Remarks by table: what the figures were before they were converted.
        self.notes: dict[str, str] = {}

    def fit(self, table: str, key: str, raw: Any) -> Any:
        """``raw`` (as TOML would give it) as the value of the key.

        Raises UnfitError where the key's own check refuses it, or where it contradicts the rest.
        """
        value = _check(table, key)(raw)
        for place, what, mend in contradictions(self._with(table, key, value)):
            named = place if place != f"[{table}] {key}" else ""
            raise UnfitError(f"{named.rpartition('] ')[2]} {what}".strip(), mend)
        return value

    def fit_converted(self, table: str, key: str, typed: float, raw: float) -> Any:
        """As `fit` for a number that was converted: what was typed is said with what became of it."""
        try:
            return self.fit(table, key, raw)
        except UnfitError as problem:
            if raw == typed:
                raise
            what = f"{typed:g} is {raw:.4g} {key.rpartition('_')[2]} in the file: {problem.what}"
            raise UnfitError(what, "check the figure and its unit") from None

    def put(self, table: str, key: str, value: Any) -> None:
        """Keep a value that `fit` gave; None is not stated."""
        if value is not None:
            self.tables.setdefault(table, {})[key] = value

    def get(self, table: str, key: str) -> Any:
        return self.tables.get(table, {}).get(key)

    def specification(self) -> Specification:
        return _build(self.tables)

    def _with(self, table: str, key: str, value: Any) -> Specification:
        """All that is known with one more; what a distributor must have is filled in."""
        least = {"name": "-", "lobes": 1, "source": "-"}
        known = {**self.tables, table: {**self.tables.get(table, {}), key: value}}
        return _build({**known, "distributor": {**least, **known.get("distributor", {})}})


def _check(table: str, key: str) -> Callable[[Any], Any]:
    (found,) = (each for each in fields(TABLES[table]) if each.name == key)
    check: Callable[[Any], Any] = found.metadata["check"]
    return check


def _build(tables: Mapping[str, Mapping[str, Any]]) -> Specification:
    made = {name: TABLES[name](**keys) for name, keys in tables.items() if name != "distributor"}
    return Specification(distributor=Distributor(**tables["distributor"]), **made)
