"""Tables and paragraphs of a report on the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from breakerbench.errors import harmless

#: Rows of a table by speed, at most.
MOST_SPEEDS = 12


def new_table(*columns: str, right: Sequence[int] = ()) -> Table:
    """An empty table; columns that hold numbers stand ``right``."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False)
    for place, column in enumerate(columns):
        table.add_column(column, justify="right" if place in right else "left", overflow="fold")
    return table


def print_table(console: Console, title: str, table: Table) -> None:
    """A table under its title, nothing where it has no rows."""
    if table.row_count:
        console.print(Text(f"\n{title}", style="bold"))
        console.print(table)


def print_item(console: Console, mark: str, text: str) -> None:
    """An indented paragraph after its mark."""
    grid = Table.grid(padding=(0, 1))
    line = Text(f"{harmless(mark.removeprefix('- '))} " if mark.startswith("- ") else "", "bold")
    line.append(harmless(text), "not bold")
    grid.add_row(f"  {'-' if mark.startswith('- ') else harmless(mark)}", line)
    console.print(grid)
