"""Names in a query: roles, sessions, drums and microphones as a person writes them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from fnmatch import translate
from re import IGNORECASE, compile
from unicodedata import normalize

from catalog.errors import ParameterError
from catalog.library.store.database import Database
from catalog.models import ROLES
from catalog.search.conditions.columns import suggest

WILDCARDS = "*?["
MAX_LISTED = 6  # names in an error message
HATS = "hat"


def find_roles(words: Iterable[str]) -> tuple[str, ...]:
    """Return the roles of some words: "hat_open", "open hat", "hat" for all hats, "ride*".

    Raise `ParameterError` if a word is no role.
    """
    found: dict[str, None] = {}
    for word in words:
        found |= dict.fromkeys(_roles_of(word))
    return tuple(found)


def _roles_of(word: str) -> Sequence[str]:
    plain = "_".join(word.casefold().replace("-", " ").replace("_", " ").split())
    swapped = "_".join(reversed(plain.split("_")))
    for name in (plain, swapped, plain.removesuffix("s")):
        if name in ROLES:
            return [name]
    if any(sign in plain for sign in WILDCARDS):
        pattern = compile(translate(plain))
        if matching := [role for role in ROLES if pattern.match(role)]:
            return matching
    if plain.removesuffix("s") == HATS:
        return [role for role in ROLES if role.startswith(HATS)]
    raise ParameterError(
        f"no role is named {word!r}; {suggest(plain, ROLES)}roles: {', '.join(ROLES)}"
    )


def find_sessions(database: Database, words: Iterable[str]) -> tuple[str, ...]:
    """Return the sessions that some words name.

    A word is the whole name, its last part, or a piece that no other session has; with wildcards
    it names all sessions that match. Upper and lower case are equal. Raise `ParameterError` if a
    word names none, or several without a wildcard.
    """
    known = distinct(database, "session")
    found: dict[str, None] = {}
    for word in words:
        matching = match_session(word, known)
        if not matching:
            near = suggest(word, [last_part(name) for name in known])
            raise ParameterError(f"no session matches {word!r}; {near}sessions: {_listed(known)}")
        if len(matching) > 1 and not any(sign in word for sign in WILDCARDS):
            raise ParameterError(
                f"{len(matching)} sessions match {word!r}: {_listed(matching)}; give more of the"
                f" name, or {word + '*'!r} for all that begin so"
            )
        found |= dict.fromkeys(matching)
    return tuple(found)


def match_session(word: str, known: Sequence[str]) -> list[str]:
    """Return the sessions that one word names, see `find_sessions`."""
    plain = _fold(word).strip("/")
    if any(sign in word for sign in WILDCARDS):
        pattern = compile(translate(plain), IGNORECASE)
        names = {name: normalize("NFC", name) for name in known}
        return [n for n, text in names.items() if any(map(pattern.match, (text, last_part(text))))]
    folded = {name: _fold(name) for name in known}
    for is_match in (
        lambda name: name == plain,
        lambda name: last_part(name) == last_part(plain) and name.endswith(plain),
        lambda name: plain in last_part(name),
        lambda name: plain in name,
    ):
        if matching := [name for name, text in folded.items() if is_match(text)]:
            return matching
    return []


def last_part(session: str) -> str:
    """Return the last part of a session that is named by its folders: "Attic" of "a/b/Attic"."""
    return session.rstrip("/").rpartition("/")[2] or session


def shorten_sessions(sessions: Iterable[str]) -> dict[str, str]:
    """Return the shortest end of each session's path that no other session has."""
    ends = {name: _ends(name) for name in sorted(set(sessions))}
    n_with = Counter(end for of_name in ends.values() for end in of_name)
    return {
        name: next((end for end in of_name if n_with[end] == 1), of_name[-1])
        for name, of_name in ends.items()
    }


def _ends(session: str) -> list[str]:
    """Return the ends of a path at its separators, the shortest first, the whole path last."""
    parts = session.split("/")
    return ["/".join(parts[-n:]) for n in range(1, len(parts) + 1)]


def find_names(database: Database, column: str, words: Iterable[str]) -> tuple[str, ...]:
    """Return the drums or microphones that some words name: exactly, by wildcards, or by a piece.

    Raise `ParameterError` if a word names none.
    """
    known = distinct(database, column)
    found: dict[str, None] = {}
    for word in words:
        matching = _matching(_fold(word), known)
        if not matching:
            raise ParameterError(
                f"no {column} matches {word!r}; {suggest(word, known)}known: {_listed(known)}"
            )
        found |= dict.fromkeys(matching)
    return tuple(found)


def _matching(plain: str, known: Sequence[str]) -> list[str]:
    if any(sign in plain for sign in WILDCARDS):
        pattern = compile(translate(plain), IGNORECASE)
        return [name for name in known if pattern.match(normalize("NFC", name))]
    exact = [name for name in known if _fold(name) == plain]
    return exact or [name for name in known if plain in _fold(name)]


def _fold(text: str) -> str:
    """Return text with composed accents and without case."""
    return normalize("NFC", normalize("NFC", text).casefold())


def distinct(database: Database, column: str) -> list[str]:
    """Return all values of a column of `hit_search` but the empty one, in order."""
    return [row[0] for row in database.read(_distinct_sql(column)) if row[0]]


def _distinct_sql(column: str) -> str:
    """Return a query that skips in the index from each value to the next [1]_.

    References
    ----------
    .. [1] https://wiki.postgresql.org/wiki/Loose_indexscan
    """
    return (
        f"WITH RECURSIVE v(x) AS (SELECT min({column}) FROM hit_search UNION ALL"
        f" SELECT (SELECT min({column}) FROM hit_search WHERE {column} > x) FROM v"
        " WHERE x IS NOT NULL) SELECT x FROM v WHERE x IS NOT NULL"
    )


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - MAX_LISTED} more" if len(names) > MAX_LISTED else ""
    return (", ".join(names[:MAX_LISTED]) or "none") + more
