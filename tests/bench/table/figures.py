"""A measured figure, and the table of all figures in RESULTS.md."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

RESULTS = Path(__file__).parents[1] / "RESULTS.md"
BEGIN = "<!-- table of python -m tests.bench: begin -->"
END = "<!-- table of python -m tests.bench: end -->"
HEAD = ("| bench | figure | measured | floor | ratio | date |", "|---|---|---|---|---|---|")


@dataclass(frozen=True)
class Figure:
    """One figure; less is better."""

    bench: str
    name: str
    value: float
    floor: float  # the aim, in the same unit
    unit: str = ""

    def row(self, date: str) -> str:
        """Return the row of the table."""
        cells = (
            self.bench, self.name, f"{self.value:.3g} {self.unit}".strip(),
            f"{self.floor:.3g} {self.unit}".strip(), f"{self.value / self.floor:.2f}", date,
        )  # fmt: skip
        return f"| {' | '.join(cells)} |"


def describe_machine() -> str:
    """Return processors, memory, system and Python of this machine in one line."""
    import psutil

    gb = psutil.virtual_memory().total / 1e9
    return (
        f"{os.cpu_count()} {platform.machine()} cores, {gb:.0f} GB, {platform.system()}, Python"
        f" {platform.python_version()}"
    )


def write_table(figures: Sequence[Figure], path: Path = RESULTS) -> None:
    """Put rows in place of those of the same bench and figure; others stay with their dates."""
    text = path.read_text("utf-8")
    head, _, rest = text.partition(BEGIN)
    old, _, tail = rest.partition(END)
    rows = {_key(row): row for row in old.splitlines() if _is_row(row)}
    date = datetime.now(UTC).date().isoformat()
    rows |= {_key(row): row for row in (figure.row(date) for figure in figures)}
    machine = f"Machine of the last run: {describe_machine()}."
    table = "\n".join((BEGIN, machine, "", *HEAD, *(rows[key] for key in sorted(rows)), END))
    path.write_text(head + table + tail, "utf-8")


def _is_row(line: str) -> bool:
    return line.startswith("| ") and line not in HEAD


def _key(row: str) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in row.split("|")[1:3])
