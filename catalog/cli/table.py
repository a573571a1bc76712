"""Lists on the terminal: aligned columns with a header that fit the width."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from catalog.cli.output import escape, event_text
from catalog.wording import percent

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit

GAP = "  "
MIN_WIDTH = 6  # of a column that is cut
MAX_WIDTH = 72  # of a column where there is no limit to the width
ELLIPSIS = "…"
DEFAULT_COLUMNS = ("id", "name", "role", "confidence", "session", "drum", "length", "mark")
NARROW_COLUMNS = ("id", "name", "role", "session", "length")  # where the width is small
NARROW = 100  # characters
OF_HIT = ("path", "tags", "remark", "note", "take")  # columns that are read from the hit
LISTS = frozenset({"difference"})  # columns whose texts are lists, the most important part first
RIGHT = frozenset({"id", "confidence", "distance", "weight", "hits", "strokes", "files"})


def output_width() -> int | None:
    """Return the width of the terminal, or of the variable COLUMNS; None without a limit."""
    if (given := os.environ.get("COLUMNS", "")).isdecimal() and int(given) > 0:
        return int(given)
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def table_lines(
    header: Sequence[str], rows: Sequence[Sequence[str]], *, right: frozenset[str] = RIGHT
) -> list[str]:
    """Return a header and rows as aligned lines, none wider than the terminal.

    Parameters
    ----------
    header : sequence of str
    rows : sequence of sequence of str, as many as the header
    right : frozenset of str, columns that are aligned to the right

    Returns
    -------
    list of str, without control characters
    """
    from rich.cells import cell_len, set_cell_size

    cells = [[escape(text) for text in row] for row in (header, *rows)]
    natural = [max(map(cell_len, column)) for column in zip(*cells, strict=True)]
    widths = fit_widths(natural, output_width())
    lines = []
    for row in cells:
        parts = []
        for name, text, width in zip(header, row, widths, strict=True):
            text = shorten_list(text, width) if name in LISTS else shorten(text, width)
            pad = max(0, width - cell_len(text))
            parts.append(" " * pad + text if name in right else set_cell_size(text, width))
        lines.append(GAP.join(parts).rstrip())
    return lines


def fit_widths(natural: Sequence[int], width: int | None) -> list[int]:
    """Return the widths of columns: the widest are cut first until all fit."""
    widths = [min(w, MAX_WIDTH) if width is None else w for w in natural]
    if width is None:
        return widths
    while sum(widths) + len(GAP) * (len(widths) - 1) > width:
        widest = max(range(len(widths)), key=lambda k: widths[k])
        if widths[widest] <= MIN_WIDTH:
            break
        widths[widest] -= 1
    return widths


def shorten(text: str, width: int) -> str:
    """Cut the middle out of a text that is wider; names of strokes differ at both ends."""
    from rich.cells import cell_len, set_cell_size

    if cell_len(text) <= width:
        return text
    keep = width - 1
    head, tail = keep - keep // 2, keep // 2
    end = text[len(text) - tail :]
    while cell_len(end) > tail:
        end = end[1:]
    return set_cell_size(text, head).rstrip() + ELLIPSIS + end


def shorten_list(text: str, width: int) -> str:
    """Cut whole parts off the end of a list with commas; the first part is cut if it is alone."""
    from rich.cells import cell_len

    if cell_len(text) <= width:
        return text
    parts = text.split(", ")
    while len(parts) > 1:
        parts.pop()
        if cell_len(shorter := f"{', '.join(parts)}, {ELLIPSIS}") <= width:
            return shorter
    return shorten(parts[0], width)


def hit_columns(columns: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the columns of a list of hits: those given, else as many as the width holds."""
    if columns:
        return tuple(columns)
    width = output_width()
    return NARROW_COLUMNS if width is not None and width < NARROW else DEFAULT_COLUMNS


def split_columns(text: str | None) -> tuple[str, ...]:
    """Return the columns of an option `--columns`; () without it."""
    return tuple(word.strip() for word in (text or "").split(",") if word.strip())


def hit_rows(cat: Catalog, hits: Sequence[Hit], columns: Sequence[str]) -> list[list[str]]:
    """Return the texts of some columns for some hits."""
    from catalog.search.conditions.columns import find_column

    stored = [word for word in columns if word not in OF_HIT]
    found = [find_column(word, option="--columns") for word in stored]
    values = cat.search.values([hit.id for hit in hits], stored) if stored else {}
    short = cat.search.session_names() if "session" in stored else {}
    rows = []
    for hit in hits:
        texts = {
            word: format_value(word, column.unit, value)
            for word, column, value in zip(stored, found, values.get(hit.id, ()), strict=False)
        }
        texts |= {word: _text_of(hit, word) for word in columns if word in OF_HIT}
        if "name" in texts and len(hit.tied) > 1:
            texts["name"] += f" (+{len(hit.tied) - 1})"
        if "name" in texts:
            texts["name"] += event_text(hit)
        if "session" in texts:
            texts["session"] = short.get(hit.session, hit.session)
        rows.append([texts.get(word, "") for word in columns])
    return rows


def _text_of(hit: Hit, word: str) -> str:
    from catalog.cli.output import short_path

    if word == "path":
        return str(short_path(hit.path)) + (f" + {hit.mate.name}" if hit.mate else "")
    value = getattr(hit, word)
    return value if isinstance(value, str) else ", ".join(value)


def format_value(word: str, unit: str, value: Any) -> str:
    """Return a value of a column as text with its unit."""
    if value is None or value == "":
        return "-" if value is None else ""
    if word == "confidence":
        return percent(value)
    if word == "tags":
        return str(value)
    if word == "scanned":
        return str(value)[:10]
    if not isinstance(value, float):
        return f"{value} {unit}".strip()
    if unit == "s":
        return f"{value:.2f} s" if value >= 0.0995 else f"{1000 * value:.1f} ms"
    digits = 0 if unit in ("Hz", "samples") else 1 if unit else 2
    return f"{value:.{digits}f} {unit}".strip()


def hit_lines(
    cat: Catalog,
    hits: Sequence[Hit],
    *,
    columns: Sequence[str] = (),
    first: tuple[str, Sequence[str]] | None = None,
    last: tuple[str, Sequence[str]] | None = None,
) -> list[str]:
    """Return a list of hits as lines; `first` and `last` are columns beside those of the hits."""
    words = list(hit_columns(columns))
    rows = hit_rows(cat, hits, words)
    if first is not None:
        words, rows = [first[0], *words], [[t, *row] for t, row in zip(first[1], rows, strict=True)]
    if last is not None:
        words, rows = [*words, last[0]], [[*row, t] for t, row in zip(last[1], rows, strict=True)]
    return table_lines(words, rows) if rows else []
