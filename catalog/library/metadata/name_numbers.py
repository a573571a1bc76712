"""Numbers in names: the size of a drum, the number of a drum, or a count of strokes."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from pathlib import Path

from catalog.library.metadata.roles import ROLE_WORDS, word_set

LAYERS = word_set(
    "soft softer softest hard harder hardest med medium loud louder quiet ghost accent rr v vel vl"
    " velocity layer lay hit stroke str round robin alt pp p mp mf f ff fff take tk"
)
# Diameters that are built, in inches, by the role that a word means: common practice, no source.
SIZES_INCH: Mapping[str, range] = {
    "kick": range(16, 29), "snare": range(10, 16), "tom": range(6, 21), "hat": range(10, 18),
    "crash": range(12, 23), "ride": range(16, 27), "splash": range(6, 13), "china": range(12, 25),
}  # fmt: skip
NOTES = range(27, 88)  # keys of percussion, General MIDI 2 (from memory; 35 to 81 in General MIDI)
# Words whose number marks the layer or the round robin, so that another number does not.
MARKS = word_set("v vel vl velocity layer lay rr")
MAX_SIZES = 4  # of one instrument in a folder; more numbers count strokes


def without_counters(parts: Sequence[list[str]], path: Path) -> tuple[list[list[str]], list[int]]:
    """Return the parts of a name without stroke numbers and words of strength, and the numbers.

    Parameters
    ----------
    parts : sequence of lists of str
        the words of the name between two separators, as in `read_name`
    path : Path
        of the file; names beside it show whether a number is a size or counts strokes
    """
    left: list[list[str]] = []
    numbers: list[int] = []
    notes = _repeated_note(parts)
    for at, part in enumerate(parts):
        kept = list(part)
        if at in notes:
            left += [kept] if at == notes[-1] else []
            continue
        if _is_drum_number(parts, at, path) or _is_size(parts, at, path):
            left.append(kept)
            continue
        while kept and (kept[-1].casefold() in LAYERS or _is_counter(kept)):
            last = kept.pop()
            numbers += [int(last[-9:])] if last.isdecimal() else []
        if kept:
            left.append(kept)
    return left, numbers


def _repeated_note(parts: Sequence[list[str]]) -> list[int]:
    """Return the parts that hold one note number twice, as in "041_tom_41_a"; empty if none does.

    Such a number names the key that plays the drum, and does not count strokes.
    """
    at: dict[int, list[int]] = {}
    for k, part in enumerate(parts):
        if len(part) == 1 and part[0].isdecimal() and int(part[0][-9:]) in NOTES:
            at.setdefault(int(part[0][-9:]), []).append(k)
    return next((places for places in at.values() if len(places) > 1), [])


def _is_drum_number(parts: Sequence[list[str]], at: int, path: Path) -> bool:
    """Return whether a part numbers a drum: "Tom 2 - 07", or "Tom 2 v1" and "tom 41 v1".

    The name must hold another counter. A number of two digits must be a key and stand beside
    layers of its own, since "snare 41 v3" also counts strokes.
    """
    alone = [part[0].isdecimal() and len(part) == 1 for part in parts]
    if not (at > 0 and alone[at] and any(word.casefold() in ROLE_WORDS for word in parts[at - 1])):
        return False
    number = parts[at][0]
    if len(number) == 1:
        return sum(alone) > 1 or _has_layers(parts, at, path)
    is_key = not number.startswith("0") and int(number[-9:]) in NOTES
    return is_key and _has_layers(parts, at, path)


def _has_layers(parts: Sequence[list[str]], at: int, path: Path) -> bool:
    """Return whether names beside differ only in a marked layer or round robin after a part."""
    return any(
        len(part) > 1
        and part[-1].isdecimal()
        and part[-2].casefold() in MARKS
        and len(_numbers_beside(path, part[-1])) > 1
        for part in parts[at + 1 :]
    )


def _is_counter(part: Sequence[str]) -> bool:
    """Return whether the last token is a counter: alone, of two digits, or after a word as "rr"."""
    last = part[-1]
    alone = len(part) == 1 or len(last) > 1 or part[-2].casefold() in LAYERS
    return last.isdecimal() and alone


def _is_size(parts: Sequence[list[str]], at: int, path: Path) -> bool:
    """Return whether a part ends in the diameter of a drum: "kick22", "SN13", "Tom 14".

    A number of that range counts strokes unless the name holds another counter, or the names
    beside it show no other number at its place than a few sizes.
    """
    part = parts[at]
    before = part[-2] if len(part) > 1 else parts[at - 1][-1] if at > 0 else ""
    if not _is_built(before, part[-1]):
        return False
    others = [other for k, other in enumerate(parts) if k != at]
    if len(part) > 1 and any(_is_counter(other) for other in others):
        return True
    if _has_layers(parts, at, path):
        return True
    numbers = _numbers_beside(path, part[-1])
    return len(numbers) <= MAX_SIZES and all(_is_built(before, number) for number in numbers)


def _is_built(word: str, number: str) -> bool:
    role, _ = ROLE_WORDS.get(word.casefold(), ("", 0.0))
    sizes = SIZES_INCH.get(role.partition("_")[0], range(0))
    return number.isdecimal() and not number.startswith("0") and int(number[-9:]) in sizes


def _numbers_beside(path: Path, number: str) -> Collection[str]:
    """Return the numbers that other names of the folder have in place of the last such number."""
    before, _, after = path.stem.rpartition(number)
    pattern = re.compile(rf"{re.escape(before)}(\d+){re.escape(after)}", re.I)
    stems = _list_stems(path.parent)
    return {found[1] for stem in stems if (found := pattern.fullmatch(stem))} | {number}


def _list_stems(folder: Path) -> tuple[str, ...]:
    """Return the file names of a folder without extensions; none if it cannot be listed."""
    try:
        return _list_changed(folder, folder.stat().st_mtime_ns)
    except OSError:
        return ()


@lru_cache(maxsize=64)
def _list_changed(folder: Path, mtime_ns: int) -> tuple[str, ...]:
    """List a folder once for each time that it was changed."""
    return tuple(path.stem for path in folder.iterdir())
