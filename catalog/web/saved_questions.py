"""Questions that the user named, kept in the store so that every tab and every start has them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from catalog.catalog import Catalog
from catalog.errors import ParameterError

SETTING = "questions of the page"  # its name in the store is part of the file format
MAX_QUESTIONS = 100
MAX_NAME, MAX_TEXT, MAX_DRAWN = 80, 4_000, 100_000  # characters, characters, hits

Question = dict[str, Any]


def read_questions(catalog: Catalog) -> list[Question]:
    """Return the saved questions in the order of their names.

    Each has a "name", the "text" of its address, and the ids "drawn" around on the map, or None.
    """
    found = catalog.context.store.database.read_setting(SETTING, [])
    return sorted(found, key=lambda question: question["name"].casefold())


def save_question(
    catalog: Catalog, name: str, text: str, *, drawn: Sequence[int] | None = None
) -> list[Question]:
    """Save a question in place of one with the same name, and return all.

    Raises
    ------
    ParameterError
        if the name is empty, there are too many questions, or one is too long
    """
    name = " ".join(name.split())
    if not name or len(name) > MAX_NAME:
        raise ParameterError(f"the name must have 1 to {MAX_NAME} characters")
    if len(text) > MAX_TEXT or len(drawn or ()) > MAX_DRAWN:
        raise ParameterError("the search is too long to be saved; use fewer conditions")
    others = [other for other in read_questions(catalog) if other["name"] != name]
    if len(others) >= MAX_QUESTIONS:
        raise ParameterError(f"{MAX_QUESTIONS} questions are saved; delete one first")
    ids = None if drawn is None else sorted({int(hit_id) for hit_id in drawn})
    _write(catalog, [*others, {"name": name, "text": text, "drawn": ids}])
    return read_questions(catalog)


def delete_question(catalog: Catalog, name: str) -> list[Question]:
    """Delete the question of a name, if there is one, and return the others."""
    _write(catalog, [other for other in read_questions(catalog) if other["name"] != name])
    return read_questions(catalog)


def _write(catalog: Catalog, questions: Sequence[Mapping[str, Any]]) -> None:
    catalog.context.store.database.save_setting(SETTING, list(questions))
