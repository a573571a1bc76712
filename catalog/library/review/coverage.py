"""What has been recorded and what is missing: drum by strength by kind of stroke by microphone."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from catalog.library.metadata.roles import split_words, word_set
from catalog.library.review.gaps import STRENGTHS, STROKES, Cell, Hole, find_holes
from catalog.models import ROLES, Hit

# Words of names and tags; the trade's usual ones (common practice, no source).
STRENGTH_WORDS = {
    **dict.fromkeys(word_set("soft softest ghost ghosts quiet light p pp ppp"), "soft"),
    **dict.fromkeys(word_set("medium middle mid normal mp mf"), "middle"),
    **dict.fromkeys(word_set("hard hardest loud loudest full accent strong f ff fff"), "full"),
}
STROKE_WORDS = {
    **dict.fromkeys(word_set("centre center"), "centre"),
    **dict.fromkeys(word_set("edge"), "edge"),
    **dict.fromkeys(word_set("rim rimshot rimshots sidestick xstick crossstick"), "rim"),
    **dict.fromkeys(word_set("open opened half ringing"), "open"),
    **dict.fromkeys(word_set("damped damp muted mute choke choked closed towel"), "damped"),
}
ROLE_STROKES = {
    "sidestick": "rim", "hat_closed": "damped", "hat_pedal": "damped", "hat_open": "open",
}  # fmt: skip
# Under the loudest stroke of the drum through one microphone: common practice, no source.
FULL_DB, MIDDLE_DB = -7.0, -18.0
DAMPED_RATIO = 1.8  # shorter by this much: damping shortens the note, strength hardly does
LEAST_GROUP = 2  # strokes on each side of such a gap


@dataclass(frozen=True)
class Coverage:
    """Counts by drum, strength, kind of stroke and microphone, and what is missing in words."""

    cells: tuple[Cell, ...]
    holes: tuple[Hole, ...]


def find_coverage(hits: Sequence[Hit]) -> Coverage:
    """Count what has been recorded of each drum, and say what is missing.

    Parameters
    ----------
    hits : sequence of Hit

    Returns
    -------
    Coverage
        cells by role, session and drum; a hit is in exactly one of them
    """
    drums: dict[tuple[str, str, str], list[Hit]] = defaultdict(list)
    for hit in hits:
        drums[hit.role, hit.session, hit.drum or hit.role].append(hit)
    cells: list[Cell] = []
    for role, session, drum in sorted(drums, key=lambda key: (ROLES.index(key[0]), *key[1:])):
        members = drums[role, session, drum]
        strengths, strokes = strengths_of(members), strokes_of(members)
        groups: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        for hit in members:
            groups[strokes[hit.id], strengths[hit.id], hit.microphone].append(hit.id)
        order = sorted(groups, key=lambda g: (STROKES.index(g[0]), STRENGTHS.index(g[1]), g[2]))
        cells += [
            Cell(session, drum, role, strength, stroke, microphone, tuple(groups[key]))
            for key in order
            for stroke, strength, microphone in [key]
        ]
    return Coverage(tuple(cells), tuple(find_holes(cells)))


def strengths_of(hits: Sequence[Hit]) -> dict[int, str]:
    """Tell how hard each stroke of one drum was: by its name, else by loudness.

    Parameters
    ----------
    hits : sequence of Hit, of one drum

    Returns
    -------
    dict of hit id to one of `STRENGTHS`
    """
    loudest: dict[str, float] = {}
    for hit in hits:
        known = loudest.get(hit.microphone, -math.inf)
        loudest[hit.microphone] = max(known, hit.strength_lkfs)
    return {hit.id: _said(hit, STRENGTH_WORDS) or _by_level(hit, loudest) for hit in hits}


def strokes_of(hits: Sequence[Hit]) -> dict[int, str]:
    """Tell the kind of each stroke of one drum: by tag or name, by role, else by its decay.

    Parameters
    ----------
    hits : sequence of Hit, of one drum

    Returns
    -------
    dict of hit id to one of `STROKES`
    """
    told = {hit.id: _said(hit, STROKE_WORDS) or ROLE_STROKES.get(hit.role, "") for hit in hits}
    by_microphone: dict[str, list[Hit]] = defaultdict(list)
    for hit in hits:
        if not told[hit.id]:
            by_microphone[hit.microphone].append(hit)
    for members in by_microphone.values():
        told.update(_part_by_decay(members))
    return told


def _part_by_decay(hits: Sequence[Hit]) -> dict[int, str]:
    """Part strokes into damped and open ones at a gap that strength does not explain."""
    decays = {h.id: h.descriptors.get("decay20_s", math.nan) for h in hits}
    known = sorted((h for h in hits if decays[h.id] > 0), key=lambda h: decays[h.id])
    gaps = [decays[b.id] / decays[a.id] for a, b in pairwise(known)]
    if not gaps or max(gaps) < DAMPED_RATIO:
        return {}
    at = gaps.index(max(gaps)) + 1
    short, long = known[:at], known[at:]
    if min(len(short), len(long)) < LEAST_GROUP or not _share_strengths(short, long):
        return {}
    return {**{h.id: "damped" for h in short}, **{h.id: "open" for h in long}}


def _share_strengths(short: Sequence[Hit], long: Sequence[Hit]) -> bool:
    a, b = [h.strength_lkfs for h in short], [h.strength_lkfs for h in long]
    return max(a) > min(b) and max(b) > min(a)


def _said(hit: Hit, words: dict[str, str]) -> str:
    """What the tags say, else the file's name, else the folder it lies in."""
    for text in (" ".join(hit.tags), hit.path.stem, hit.path.parent.name):
        found = Counter(words[w] for w in _lower(split_words(text)) if w in words)
        if len(found) == 1:
            return next(iter(found))
    return ""


def _lower(words: Iterable[str]) -> list[str]:
    return [word.lower() for word in words]


def _by_level(hit: Hit, loudest: dict[str, float]) -> str:
    under = hit.strength_lkfs - loudest[hit.microphone]
    if not under < FULL_DB:
        return "full"
    return "middle" if under >= MIDDLE_DB else "soft"
