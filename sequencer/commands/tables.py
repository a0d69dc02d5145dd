"""Tables on stdout: drawn by rich on a terminal, plain text everywhere else."""

import itertools
import sys
import textwrap
from collections.abc import Sequence
from typing import NamedTuple

WIDEST_CELL = 44
_GAP = "  "


class Table(NamedTuple):
    """A titled table; every row has as many cells as there are headings."""

    title: str
    headings: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]


def print_tables(tables: Sequence[Table]) -> None:
    """Print tables that have rows; rich honours NO_COLOR and the width of the terminal."""
    filled = [table for table in tables if table.rows]
    if sys.stdout.isatty():
        _print_rich(filled)
    else:
        print("\n\n".join(plain(table) for table in filled))


def plain(table: Table) -> str:
    """Return a table as plain text; long cells are wrapped, nothing is cut."""
    rows = [[_wrapped(cell) for cell in row] for row in (table.headings, *table.rows)]
    widths = [
        max(len(line) for cell in column for line in cell) for column in zip(*rows, strict=True)
    ]
    lines = [table.title]
    for row in rows:
        for parts in itertools.zip_longest(*row, fillvalue=""):
            cells = (part.ljust(width) for part, width in zip(parts, widths, strict=True))
            lines.append(_GAP.join(cells).rstrip())
    return "\n".join(lines)


def _wrapped(cell: str) -> list[str]:
    return textwrap.wrap(cell, WIDEST_CELL) or [""]


def _print_rich(tables: Sequence[Table]) -> None:
    from rich.console import Console
    from rich.table import Table as RichTable
    from rich.text import Text

    console = Console()
    for table in tables:
        drawn = RichTable(title=table.title, title_justify="left", title_style="bold")
        for heading in table.headings:
            drawn.add_column(heading, overflow="fold")
        for row in table.rows:
            # As plain text: square brackets in a file's own words are no markup.
            drawn.add_row(*(Text(cell) for cell in row))
        console.print(drawn)
