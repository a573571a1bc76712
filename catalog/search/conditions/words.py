"""Free words of a query; a word that occurs in no hit may have one typo."""

from __future__ import annotations

from collections.abc import Sequence
from unicodedata import normalize

from catalog.library.store.database import Database

MIN_LETTERS = 4  # of a word with a typo; a shorter one has too many neighbors
ANY_STATE = "SELECT 1 FROM hit_words WHERE instr(words, ?) LIMIT 1"


def correct_words(database: Database, words: str) -> list[tuple[str, ...]]:
    """Return for each word the words to look for, one of which must occur in a hit.

    That is the word itself if it occurs in the text of any hit, else the words of the library that
    differ from it by one typo, else the word itself.
    """
    found: list[tuple[str, ...]] = []
    for word in words.casefold().split():
        forms = unicode_forms(word)
        is_known = any(database.read(ANY_STATE, (form,)) for form in forms)
        near = () if is_known else tuple(_near(word, _vocabulary(database, word)))
        found.append(near or forms)
    return found


def unicode_forms(text: str) -> tuple[str, ...]:
    """Return a text with composed and with separate accents: disks of macOS list the latter."""
    return tuple({normalize(form, text): None for form in ("NFC", "NFD")})


def _vocabulary(database: Database, word: str) -> list[str]:
    """Return the words of the library of nearly the same length."""
    if len(word) < MIN_LETTERS or not word.isalpha():
        return []
    sql = "SELECT word FROM hit_vocabulary WHERE length(word) BETWEEN ? AND ?"
    return [row[0] for row in database.read(sql, (len(word) - 1, len(word) + 1))]


def _near(word: str, known: Sequence[str]) -> list[str]:
    return [other for other in known if is_one_typo(word, other)]


def is_one_typo(a: str, b: str) -> bool:
    """Return whether one letter was added, left out or changed, or two neighbors were swapped.

    This is a distance of at most 1 in the sense of Damerau [1]_.

    References
    ----------
    .. [1] F. J. Damerau, "A technique for computer detection and correction of spelling errors",
       Communications of the ACM 7(3), 171-176, 1964.
    """
    if abs(len(a) - len(b)) > 1:
        return False
    n = min(len(a), len(b))
    at = next((k for k in range(n) if a[k] != b[k]), n)
    rests = (a[at + 1 :], b[at:]), (a[at:], b[at + 1 :]), (a[at + 1 :], b[at + 1 :])
    if any(left == right for left, right in rests):
        return True
    is_swapped = a[at : at + 2] == b[at : at + 2][::-1]
    return is_swapped and a[at + 2 :] == b[at + 2 :]
