"""Tables of labelled hits.

A table is a CSV file with the columns path (below its folder), kit, instrument and role. Optional
columns are source (the kit by default), microphone, duplicate_of (rows with an entry are skipped),
true_strokes ("no" where hits of one name are different drums) and layer (order of strength; see
`catalog.training.strength`). A file near_duplicates.csv beside the table may list pairs of files
that are one recording (path_a, path_b).
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.errors import ParameterError
from catalog.models import ROLES


@dataclass(frozen=True)
class Label:
    """One labelled hit; `kit` includes the source, since two sources may name kits alike."""

    path: Path
    source: str
    kit: str
    instrument: str
    role: str
    microphone: str
    has_siblings: bool  # hits of the same name are strokes of the same drum


def read_rows(table: Path) -> list[dict[str, str]]:
    """Read the rows of a table without those that repeat another file."""
    with table.open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if not row.get("duplicate_of")]


def read_labels(table: Path, folder: Path) -> list[Label]:
    """Read a table of labels, with paths below `folder`; rows without a known role are skipped.

    Raise `ParameterError` if no row has a known role.
    """
    labels = [
        Label(
            path=folder / row["path"],
            source=row.get("source") or row["kit"],
            kit=f"{row['source']}/{row['kit']}" if row.get("source") else row["kit"],
            instrument=row["instrument"],
            role=row["role"],
            microphone=row.get("microphone") or "",
            has_siblings=row.get("true_strokes") != "no",
        )
        for row in read_rows(table)
        if row["role"] in ROLES
    ]
    if not labels:
        raise ParameterError(f"{table.name}: no row has a role out of {', '.join(ROLES)}")
    return labels


def read_tables(tables: Sequence[tuple[Path, Path]]) -> list[Label]:
    """Read the labels of several tables, each with its folder."""
    return [label for table, folder in tables for label in read_labels(table, folder)]


def read_known_copies(tables: Sequence[tuple[Path, Path]]) -> list[tuple[Path, Path]]:
    """Read the pairs of files that are known to be one recording."""
    known = []
    for table, folder in tables:
        pairs = table.with_name("near_duplicates.csv")
        if pairs.is_file():
            with pairs.open(newline="", encoding="utf-8") as file:
                for row in csv.DictReader(file):
                    known.append((folder / row["path_a"], folder / row["path_b"]))
    return known


def drum_names(labels: Sequence[Label]) -> np.ndarray:
    """Name each hit's drum through one microphone and through any; shape (n_labels, 2)."""
    names = [
        (f"{x.kit}|{x.instrument}|{x.microphone}", f"{x.kit}|{x.instrument}")
        if x.has_siblings
        else ("", "")
        for x in labels
    ]
    return np.array(names)


def group_strokes(labels: Sequence[Label]) -> dict[str, list[Path]]:
    """Group files by drum and microphone, named "source|kit|instrument|microphone"."""
    drums: dict[str, list[Path]] = {}
    for label in labels:
        name = "|".join((label.source, label.kit, label.instrument, label.microphone))
        if not label.has_siblings:
            name += f"|{label.path.stem}"
        drums.setdefault(name, []).append(label.path)
    return drums


def without_microphone(drum: str) -> str:
    """Return the name of a drum for any microphone; a drum is held out as a whole."""
    return "|".join(drum.split("|")[:3])


def column(rows: Sequence[object], name: str) -> np.ndarray:
    """Return one attribute of each of the rows, such as labels or labelled pairs."""
    return np.array([getattr(row, name) for row in rows])
