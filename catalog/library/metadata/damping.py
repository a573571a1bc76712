"""Whether a drum was damped: as the user set it, or by the words in names and tags."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from catalog.library.metadata.roles import split_words, word_set
from catalog.models import Hit

OPEN, DAMPED = "open", "damped"
# Key of `Hit.origin`: the damping of the whole stroke, where it is not what the hit itself shows.
VOTED = "damping_of_stroke"
# The usual words of the trade (common practice, no source).
DAMPING_WORDS = {
    **dict.fromkeys(word_set("open opened undamped wide ringing"), OPEN),
    **dict.fromkeys(
        word_set(
            "damped damp muted mute muffled muffle dampened choke choked cloth towel blanket gel"
            " gels moongel tape taped felt felted ring pillow foam wallet"
        ),
        DAMPED,
    ),
}


def damping_from_words(texts: Iterable[str]) -> str:
    """Return "open" or "damped" by the first text whose words all mean the same; else "".

    Parameters
    ----------
    texts : iterable of str
        such as tags, file name and folder, the most certain first
    """
    return next(filter(None, map(_damping_of_text, texts)), "")


@lru_cache(maxsize=4096)
def _damping_of_text(text: str) -> str:
    found = {DAMPING_WORDS[word] for word in split_words(text) if word in DAMPING_WORDS}
    return found.pop() if len(found) == 1 else ""


def mentions_damping(texts: Iterable[str]) -> bool:
    """Return whether a text holds a word of damping."""
    return any(word in DAMPING_WORDS for text in texts for word in split_words(text))


def own_damping(hit: Hit) -> str:
    """Return "open" or "damped" as the user gave it, else by tags, name and folder; else ""."""
    texts = (" ".join(hit.tags), hit.path.stem, hit.path.parent.name)
    return hit.names.get("damping", "") or damping_from_words(texts)


def damping_of(hit: Hit) -> str:
    """Return "open" or "damped" by the vote on the stroke of a hit, else its own; else ""."""
    voted = hit.origin.get(VOTED)
    return own_damping(hit) if voted is None else voted
