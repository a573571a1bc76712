"""Whether a drum was damped, from the words in names and tags."""

from __future__ import annotations

from collections.abc import Iterable

from catalog.library.metadata.roles import split_words, word_set

OPEN, DAMPED = "open", "damped"
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
    for text in texts:
        found = {DAMPING_WORDS[word] for word in split_words(text) if word in DAMPING_WORDS}
        if len(found) == 1:
            return found.pop()
    return ""
