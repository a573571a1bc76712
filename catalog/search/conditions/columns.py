"""The columns that queries filter, sort and show, by the words that name them everywhere."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from catalog.errors import ParameterError
from catalog.features.descriptors.table import DESCRIPTORS


@dataclass(frozen=True)
class Column:
    """One column: its word, its name in `hit_search`, what it holds, its unit and label."""

    word: str
    sql: str
    kind: str  # "text", "number" or "date"
    unit: str = ""
    label: str = ""


def _text(word: str, sql: str = "", label: str = "") -> Column:
    return Column(word, sql or word, "text", "", label)


TEXT_COLUMNS = (
    _text("name"), _text("role"), _text("session"), _text("drum"), _text("microphone"),
    _text("damping"), _text("event"), _text("mark"), _text("tags"), _text("state"), _text("format"),
    _text("source", "role_source", "where the role comes from"),
)  # fmt: skip
DATE_COLUMNS = (
    Column("recorded", "recorded", "date", "", "date of the recording"),
    Column("scanned", "scanned", "date", "", "date of the first scan"),
)
NUMBER_COLUMNS = (
    *(Column(d.word, d.name, "number", d.unit, d.label) for d in DESCRIPTORS),
    Column("confidence", "confidence", "number", "", "how certain the role is, 0 to 1"),
    Column("rate", "sr", "number", "Hz", "sample rate"),
    Column("channels", "n_channels", "number", "", "number of channels"),
    Column("at", "start_s", "number", "s", "start within the file"),
)
ID_COLUMN = Column("id", "hit_id", "number", "", "number of the hit")
COLUMNS = {
    column.word: column for column in (ID_COLUMN, *TEXT_COLUMNS, *DATE_COLUMNS, *NUMBER_COLUMNS)
}
NUMBER_WORDS = tuple(column.word for column in NUMBER_COLUMNS)
_ALIASES = {d.name: d.word for d in DESCRIPTORS}
_ALIASES |= {"date": "recorded", "tag": "tags", "mic": "microphone", "start": "at"}


def find_column(word: str, *, option: str) -> Column:
    """Return the column of a word, or of the name of a descriptor.

    Raise `ParameterError` with the nearest words if there is none; it names the `option`.
    """
    plain = word.strip().casefold().replace("-", "_")
    if plain not in COLUMNS and plain not in _ALIASES:
        near = suggest(plain, COLUMNS)
        raise ParameterError(
            f"{option}: {word!r} is no column; {near}columns are {', '.join(COLUMNS)}"
        )
    return COLUMNS[_ALIASES.get(plain, plain)]


def suggest(word: str, known: Iterable[str]) -> str:
    """Return "did you mean 'X'? " if one of the known words is near; else ""."""
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"did you mean {near[0]!r}? " if near else ""
