"""Count what has been recorded: by drum, strength, kind of stroke and microphone."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

from catalog.library.metadata.damping import DAMPED, DAMPING_WORDS, OPEN, VOTED
from catalog.library.metadata.roles import split_words, word_set
from catalog.library.review.gaps import STRENGTHS, STROKE_KINDS, CoverageBin, Gap, find_gaps
from catalog.models import ROLES, Hit

# Words in names and tags; the trade's usual ones (common practice, no source).
WORD_STRENGTHS = {
    **dict.fromkeys(word_set("soft softest ghost ghosts quiet light p pp ppp"), "soft"),
    **dict.fromkeys(word_set("medium med middling middle mid normal mp mf"), "middle"),
    **dict.fromkeys(word_set("hard hardest loud loudest full accent strong f ff fff"), "full"),
}
WORD_STROKE_KINDS = {
    **dict.fromkeys(word_set("centre center"), "centre"),
    **dict.fromkeys(word_set("edge"), "edge"),
    **dict.fromkeys(word_set("rim rimshot rimshots sidestick xstick crossstick"), "rim"),
    **DAMPING_WORDS,
    "half": OPEN,
    "closed": DAMPED,
}
ROLE_STROKE_KINDS = {
    "sidestick": "rim", "hat_closed": "damped", "hat_pedal": "damped", "hat_open": "open",
}  # fmt: skip
# Below the loudest stroke of the drum through one microphone: common practice, no source.
FULL_DB, MIDDLE_DB = -7.0, -18.0
MIN_DECAY_RATIO = 1.8  # open to damped: damping shortens the note, strength hardly does
MIN_GROUP = 2  # strokes on each side of such a gap


@dataclass(frozen=True)
class Coverage:
    """Counts by drum, strength, kind of stroke and microphone, and what is missing in words."""

    bins: tuple[CoverageBin, ...]
    gaps: tuple[Gap, ...]

    def of_hits(self, hit_ids: Collection[int]) -> Coverage:
        """Return the coverage of the drums that some hits belong to."""
        wanted = set(hit_ids)
        drums = {(b.role, b.session, b.drum) for b in self.bins if not wanted.isdisjoint(b.hit_ids)}
        return Coverage(
            tuple(b for b in self.bins if (b.role, b.session, b.drum) in drums),
            tuple(gap for gap in self.gaps if (gap.role, gap.session, gap.drum) in drums),
        )


def find_coverage(hits: Sequence[Hit]) -> Coverage:
    """Count what has been recorded of each drum, and list what is missing.

    Bins are in the order of role, session and drum; a hit is in exactly one of them.
    """
    drums: dict[tuple[str, str, str], list[Hit]] = defaultdict(list)
    for hit in hits:
        drums[hit.role, hit.session, hit.drum or hit.role].append(hit)
    bins = [
        CoverageBin(session, drum, role, strength, stroke, microphone, hit_ids)
        for role, session, drum in sorted(drums, key=lambda key: (ROLES.index(key[0]), *key[1:]))
        for (stroke, strength, microphone), hit_ids in _group_hits(drums[role, session, drum])
    ]
    return Coverage(tuple(bins), tuple(find_gaps(bins)))


def _group_hits(hits: Sequence[Hit]) -> list[tuple[tuple[str, str, str], tuple[int, ...]]]:
    """Group the strokes of one drum by (kind of stroke, strength, microphone), in that order."""
    strengths, kinds = classify_strengths(hits), classify_stroke_kinds(hits)
    groups: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for hit in hits:
        groups[kinds[hit.id], strengths[hit.id], hit.microphone].append(hit.id)
    order = sorted(groups, key=lambda g: (STROKE_KINDS.index(g[0]), STRENGTHS.index(g[1]), g[2]))
    return [(key, tuple(groups[key])) for key in order]


def classify_strengths(hits: Sequence[Hit]) -> dict[int, str]:
    """Return the strength of each stroke of one drum: by its name, else by its loudness."""
    loudest: dict[str, float] = {}
    for hit in hits:
        known = loudest.get(hit.microphone, -math.inf)
        loudest[hit.microphone] = max(known, hit.strength_lkfs)
    return {
        hit.id: _from_words(hit, WORD_STRENGTHS)
        or _from_level(hit.strength_lkfs - loudest[hit.microphone])
        for hit in hits
    }


def classify_stroke_kinds(hits: Sequence[Hit]) -> dict[int, str]:
    """Return the kind of each stroke of one drum: by its tags or name, its role, else its decay."""
    kinds = {hit.id: _named_kind(hit) or ROLE_STROKE_KINDS.get(hit.role, "") for hit in hits}
    by_microphone: dict[str, list[Hit]] = defaultdict(list)
    for hit in hits:
        if not kinds[hit.id]:
            by_microphone[hit.microphone].append(hit)
    for unknown in by_microphone.values():
        kinds.update(_split_by_decay(unknown))
    return kinds


def _named_kind(hit: Hit) -> str:
    """Return the kind by the words of a hit; its damping is that of its whole stroke."""
    kind = _from_words(hit, WORD_STROKE_KINDS)
    return hit.origin.get(VOTED, kind) if kind in ("", OPEN, DAMPED) else kind


def _split_by_decay(hits: Sequence[Hit]) -> dict[int, str]:
    """Split strokes into damped and open ones at a gap that strength does not explain."""
    decays = {h.id: h.descriptors.get("decay20_s", math.nan) for h in hits}
    known = sorted((h for h in hits if decays[h.id] > 0), key=lambda h: decays[h.id])
    ratios = [decays[b.id] / decays[a.id] for a, b in pairwise(known)]
    if not ratios or max(ratios) < MIN_DECAY_RATIO:
        return {}
    n_short = ratios.index(max(ratios)) + 1
    short, long = known[:n_short], known[n_short:]
    a, b = ([h.strength_lkfs for h in group] for group in (short, long))
    overlap = max(a) > min(b) and max(b) > min(a)
    if min(len(short), len(long)) < MIN_GROUP or not overlap:
        return {}
    return {**{h.id: "damped" for h in short}, **{h.id: "open" for h in long}}


def _from_words(hit: Hit, words: dict[str, str]) -> str:
    """Return the one class that the user gave, else the tags, the file's name, its folder's."""
    given = hit.names.get("damping", "")
    for text in (given, " ".join(hit.tags), hit.path.stem, hit.path.parent.name):
        found = {words[word] for word in split_words(text) if word in words}
        if len(found) == 1:
            return found.pop()
    return ""


def _from_level(below_loudest_db: float) -> str:
    if not below_loudest_db < FULL_DB:  # NaN where neither level is known
        return "full"
    return "middle" if below_loudest_db >= MIDDLE_DB else "soft"
