"""Left and right in a name, written alone or onto a microphone's word."""

from __future__ import annotations

import re

SIDE = re.compile(
    r"(?:^|[\s_\-.+()\[\]])(?:oh|overheads?|rooms?|amb(?:ience)?|hall|wide|far|near|xy|ortf|mics?)?"
    r"(?P<side>left|right|l|r)(?=$|[\s_\-.+()\[\]])",
    re.I,
)


def find_side(name: str) -> re.Match[str] | None:
    """Find the last side in a name, written alone or onto a microphone's word ("OHL")."""
    return next(iter(list(SIDE.finditer(name))[::-1]), None)


def without_side(name: str) -> str:
    """Give a name without its side: "snare OH" for "snare OHL" or "snare OH left"."""
    side = find_side(name)
    return name if side is None else (name[: side.start("side")] + name[side.end("side") :]).strip()
