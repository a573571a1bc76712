"""The words for microphones and sides in names, and how they are written.

The words are the usual ones of the trade (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from catalog.library.metadata.roles import ROLE_WORDS, word_set

MICROPHONES = word_set(
    "oh ohl ohr ohc ovh ovhd overhead overheads room rooml roomr amb ambl ambr ambience close spot"
    " top bottom btm bot under in out inside outside head batter reso resonant port beater side"
    " near far front back mono stereo st pair pairl pairr xy ortf glyn trigger sub contact phone"
    " handheld mic mics mike hall wide knee cond cnd condenser dyn dynamic ribbon"
)
SIDES = word_set("l r c left right centre center")  # of a microphone, after its word
# Words that may follow an instrument without a space: "KickIn", "snaretop".
JOINED = word_set("in out top bottom btm under head batter reso port beater")
JOINED_TO = {word for word, (role, _) in ROLE_WORDS.items() if role in ("kick", "snare", "tom")}
TRACKS = word_set("tr trk track ch chn chan channel input")  # before the number of a channel
SIDE = re.compile(
    r"(?:^|[\s_\-.+()\[\]])"
    r"(?:oh|ovhd?|overheads?|rooms?|amb(?:ience)?|hall|wide|far|near|xy|ortf|pair|mics?)?"
    r"(?P<side>left|right|l|r)(?=$|[\s_\-.+()\[\]])",
    re.I,
)
NUMBERED_PAIR = re.compile(
    r"(?P<word>oh|ovhd?|overheads?|rooms?|amb(?:ience)?|xy|ortf)[\s_\-.]?(?P<side>[12])$", re.I
)


def split_joined(parts: Sequence[list[str]]) -> list[list[str]]:
    """Split a microphone off the instrument that it is joined to: "KickIn" to "Kick", "In".

    Each part is the words of a name between two separators, as in `read_name`.
    """
    split: list[list[str]] = []
    for part in parts:
        words = [word.casefold() for word in part]
        if len(part) > 1 and words[-1] in JOINED and words[-2] in JOINED_TO:
            split += [part[:-1], part[-1:]]
        elif len(part) == 1 and (at := _joined_at(words[0])):
            split += [[part[0][:at]], [part[0][at:]]]
        else:
            split.append(part)
    return split


def _joined_at(word: str) -> int:
    """Return where the microphone starts in a word such as "kickin"; 0 if it holds none."""
    return next(
        (at for at in range(2, len(word)) if word[:at] in JOINED_TO and word[at:] in JOINED), 0
    )


def count_microphone_parts(parts: Sequence[list[str]]) -> int:
    """Return how many last parts name a microphone: 1 for "oh", 2 for "oh left", 0 if none."""
    if is_microphone(parts[-1]) or _is_track(parts[-1]):
        return 1
    before = parts[-2] if len(parts) > 1 else []
    if len(before) == 1 and before[0].casefold() in TRACKS and _is_number(parts[-1]):
        return 2
    side = "".join(parts[-1]).casefold() in SIDES
    return 2 if side and len(parts) > 2 and is_microphone(before) else 0


def is_microphone(part: Sequence[str]) -> bool:
    """Return whether all words of a part name a microphone, with a side after its word."""
    words = [token.casefold() for token in part if not token.isdigit()]
    return bool(words) and all(
        word in MICROPHONES or (at > 0 and word in SIDES) for at, word in enumerate(words)
    )


def _is_track(part: Sequence[str]) -> bool:
    return len(part) == 2 and part[0].casefold() in TRACKS and part[1].isdigit()


def _is_number(part: Sequence[str]) -> bool:
    return len(part) == 1 and part[0].isdigit()


def find_side(name: str) -> re.Match[str] | None:
    """Find the last side in a name: a separate word or the end of a microphone's name ("OHL")."""
    return next(iter(list(SIDE.finditer(name))[::-1]), None) or NUMBERED_PAIR.search(name)


def without_side(name: str) -> str:
    """Return a name without its side: "snare OH" for "snare OHL" or "snare OH left"."""
    side = find_side(name)
    if side is None:
        return name
    left = name[: side.start("side")] + name[side.end("side") :]
    return re.sub(r"\(\s*\)|\[\s*\]", "", left).strip(" _.-")
