"""The holes in what has been recorded, in words, to plan the next day in the studio by."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

ROUND_ROBIN = 3  # strokes of one strength, so that none is heard twice in a row: common practice


NUMBERS = ("no", "one", "two")


ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


# What a usual kit has: common practice, no source.
USUAL = ("kick", "snare", "hat_closed", "hat_open", "tom", "crash", "ride")


LEAST_STROKES = 3  # of a drum; what was struck once or twice only is no recording of a drum


EITHER = ("conga_bongo", "timbale_agogo")


IN_WORDS = {"soft": "soft", "middle": "middling", "full": "full"}


@dataclass(frozen=True)
class Hole:
    """Something that is missing.

    Attributes
    ----------
    words : str, a sentence without its full stop
    kind : str, "role", "strength", "round robin" or "microphone"
    session, drum, role : str, of the drum; "" where a whole role is missing
    """

    words: str
    kind: str
    session: str
    drum: str
    role: str


def find_holes(cells: Sequence[Cell]) -> list[Hole]:
    """Say what is missing.

    Parameters
    ----------
    cells : sequence of Cell, those of one drum one after another

    Returns
    -------
    list of Hole: whole roles first, then drum by drum
    """
    drums: dict[tuple[str, str, str], list[Cell]] = defaultdict(list)
    for cell in cells:
        drums[cell.role, cell.session, cell.drum].append(cell)
    roles = {role for role, _, _ in drums}
    holes = [
        Hole(f"no {plain_role(role)} at all", "role", "", "", role)
        for role in USUAL
        if roles and role not in roles
    ]
    names = name_drums(drums)
    for key, members in drums.items():
        role, session, drum = key
        if sum(_strokes(members).values()) < LEAST_STROKES:
            continue
        for kind, words in _holes_of(members, names[key]):
            holes.append(Hole(words, kind, session, drum, role))
    return holes


def name_drums(keys: Iterable[tuple[str, str, str]]) -> dict[tuple[str, str, str], str]:
    """Name drums as one speaks of them: "the snare", or "the second snare (brass, loft)".

    Parameters
    ----------
    keys : iterable of (role, session, drum)

    Returns
    -------
    dict of those to names
    """
    by_role: dict[str, list[tuple[str, str, str]]] = defaultdict(list)
    for key in keys:
        by_role[key[0]].append(key)
    names = {}
    for role, same in by_role.items():
        for i, key in enumerate(same):
            which = ", ".join(part for part in (key[2], key[1]) if part)
            count = f"{_ordinal(i)} " if len(same) > 1 else ""
            names[key] = f"the {count}{plain_role(role)} ({which})"
    return names


def plain_role(role: str) -> str:
    """A role in words: "closed hat" for "hat_closed"."""
    first, _, rest = role.partition("_")
    if first == "hat" and rest:
        return f"{rest} hat"
    return " or ".join((first, rest)) if role in EITHER else role.replace("_", " ")


def _holes_of(cells: Sequence[Cell], name: str) -> list[tuple[str, str]]:
    strokes = _strokes(cells)
    strengths = {strength for _, strength in strokes}
    found = [
        ("strength", f"no {IN_WORDS[strength]} strokes of {name}")
        for strength in STRENGTHS
        if strength not in strengths
    ]
    for (stroke, strength), n in strokes.items():
        if n < ROUND_ROBIN:
            kind = f"{stroke} " if stroke else ""
            many = "stroke" if n == 1 else "strokes"
            found.append((
                "round robin",
                f"{name} has {NUMBERS[n]} {kind}{many} at {IN_WORDS[strength]} strength; "
                "a round robin wants three or more",
            ))  # fmt: skip
    heard: dict[str, int] = defaultdict(int)
    for cell in cells:
        heard[cell.microphone] += len(cell.hit_ids)
    most = max(heard.values())
    found += [
        ("microphone", f"{name}: {most - n} of {most} strokes are missing in {microphone}")
        for microphone, n in sorted(heard.items())
        if n < most and microphone
    ]
    return found


def _strokes(cells: Sequence[Cell]) -> dict[tuple[str, str], int]:
    """Strokes by kind and strength; one heard by several microphones counts once."""
    counts: dict[tuple[str, str], int] = {}
    for cell in cells:
        key = (cell.stroke, cell.strength)
        counts[key] = max(counts.get(key, 0), len(cell.hit_ids))
    return counts


def _ordinal(i: int) -> str:
    return ORDINALS[i] if i < len(ORDINALS) else f"{i + 1}th"


STRENGTHS = ("soft", "middle", "full")


STROKES = ("", "centre", "edge", "rim", "open", "damped")  # "" where neither name nor decay tells


@dataclass(frozen=True)
class Cell:
    """Strokes of one drum that are alike in strength, kind and microphone.

    Attributes
    ----------
    session, drum, role, microphone : str, as in `Hit`
    strength : str, one of `STRENGTHS`
    stroke : str, one of `STROKES`
    hit_ids : tuple of int
    """

    session: str
    drum: str
    role: str
    strength: str
    stroke: str
    microphone: str
    hit_ids: tuple[int, ...]

    @property
    def n_hits(self) -> int:
        """How many strokes there are."""
        return len(self.hit_ids)
