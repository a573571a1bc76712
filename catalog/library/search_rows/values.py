"""Values of the narrow tables that SQLite cannot compute from the row of a hit by itself."""

from __future__ import annotations

import json
import os
import re
import sqlite3
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from catalog.audio.metadata.bext import recording_date
from catalog.library.metadata.damping import VOTED, damping_from_words
from catalog.library.metadata.filename import ORIGIN
from catalog.models import stroke_name

LETTERS = re.compile(r"[^\W\d_]{3,}")
DbPath = str | bytes  # as `catalog.library.store.database.path_to_db` returns it


def add_functions(connection: sqlite3.Connection) -> None:
    """Make the functions of this file known to SQL; the triggers of the tables use them."""
    for function, n in (
        (name_of_hit, 3), (damping_of_hit, 4), (date_recorded, 2), (words_of_hit, 6),
        (vocabulary_of, 1),
    ):  # fmt: skip
        connection.create_function(function.__name__, n, function, deterministic=True)


def name_of_hit(path: DbPath, mate: DbPath | None, region: int) -> str:
    """Return `Hit.name`; what is no valid text in it is replaced."""
    if mate is None:
        stem = os.path.splitext(os.path.basename(os.fsdecode(path)))[0]
        name = f"{stem} #{region}" if region else stem
    else:
        name = stroke_name(Path(os.fsdecode(path)), Path(os.fsdecode(mate)), region)
    return name if name.isascii() else name.encode("utf-8", "replace").decode()


def damping_of_hit(names: str, tags: str, path: DbPath, origin: str) -> str:
    """Return "open" or "damped" by the vote on the stroke of a hit, else its own; else "".

    Its own is that which the user gave, else that by tags, name and folder.
    """
    if VOTED in origin and VOTED in (written := _parse_object(origin)):
        return written[VOTED]
    given = _parse_object(names).get("damping", "")
    folder, name = os.path.split(os.fsdecode(path))
    tagged = " ".join(_parse_array(tags))
    stem, parent = os.path.splitext(name)[0], os.path.basename(folder)
    return given or damping_from_words((tagged, stem.rstrip("0123456789"), parent))


def date_recorded(origin: str, mtime_ns: int) -> str:
    """Return the date that the recorder wrote into the file, else that of its last change, in UTC.

    The date is ISO 8601 text.
    """
    written = recording_date(fields) if "date" in (fields := _parse_object(origin)) else ""
    return written or datetime.fromtimestamp(mtime_ns / 1e9, UTC).date().isoformat()


def words_of_hit(name: str, role: str, tags: str, origin: str, names: str, texts: str) -> str:
    """Return all words of a hit, case folded, for a search by words.

    `texts` holds session, drum, microphone, take, note, remark and mark as they are stored.
    """
    parts = [name, texts, *_parse_object(names).values(), *_parse_array(tags)]
    first, _, rest = role.partition("_")
    parts += [role, f"{rest} {first}" if first == "hat" else role.replace("_", " ")]
    parts += [text for key, text in _parse_object(origin).items() if key in ORIGIN]
    return " ".join(parts).casefold()


def vocabulary_of(text: str) -> str:
    """Return the words of a text as a JSON array; a word has three letters or more."""
    return json.dumps(sorted(set(LETTERS.findall(text))))


def _parse_object(text: str) -> dict[str, str]:
    """Return the JSON object of a text; {} where a damaged row holds another value."""
    value = _parse(text) if text != "{}" else {}
    return value if isinstance(value, dict) else {}


def _parse_array(text: str) -> list[str]:
    """Return the JSON array of a text; [] where a damaged row holds another value."""
    value = _parse(text) if text != "[]" else []
    return value if isinstance(value, list) else []


@lru_cache(maxsize=256)
def _parse(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        return None
