"""Why a hit has its role: what was set or named, the hits nearest to it, its drum, its sound."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.library.store.store import Store
from catalog.models import ROLES, Hit, RoleSource
from catalog.search.roles.names import DOUBTED_NAMES, NameDoubt
from catalog.search.table import HitTable
from catalog.wording import percent, plain_slot

N_NEAREST = 10  # known hits that are counted
SEARCHED = 200  # nearest hits among which they are looked for
NEAR = 2.5  # in the stroke space; beyond it no example bears on a hit
N_LIKELY = 2
MOST_READ = 20_000  # hits; the highest id stands for their number, which it reaches at least
SAID = {
    RoleSource.USER: "set by you",
    RoleSource.NAME: "named so",
    RoleSource.EXAMPLE: "as known hits near it",
    RoleSource.SOUND: "by its sound",
}


@dataclass(frozen=True)
class RoleReason:
    """Why a hit has its role."""

    role: str
    source: str  # of `RoleSource`
    reasons: tuple[str, ...]
    is_misnamed: bool = False  # the second reason is how the name contradicts the sound

    def __str__(self) -> str:
        """Return "snare: named so; 9 of the 10 nearest known hits are snare"."""
        return f"{plain_slot(self.role)}: {'; '.join(self.reasons)}"


def explain_role(store: Store, hit: Hit, read_table: Callable[[], HitTable]) -> RoleReason:
    """Return why a present hit has its role.

    The nearest hits of a hit whose role the user or its name gives are left out in libraries of
    more than `MOST_READ` hits, where reading the table of hits takes longer than all the rest.
    """
    parts = [SAID[hit.role_source]]
    doubts = [_describe_doubt(doubt) for doubt in read_doubts(store) if doubt[0] == hit.id]
    parts += doubts
    is_given = hit.role_source in (RoleSource.USER, RoleSource.NAME)
    if not is_given or store.hits.highest_id() <= MOST_READ:
        parts.append(_nearest(read_table(), hit))
    parts = [text for text in (*parts, _drum(store, hit)) if text]
    return RoleReason(hit.role, hit.role_source, (*parts, _sound(store, hit)), bool(doubts))


def read_doubts(store: Store) -> list[NameDoubt]:
    """Return the hits whose names contradict their sounds, as found at the last estimate."""
    return [NameDoubt(*row) for row in store.database.read_setting(DOUBTED_NAMES, [])]


def _describe_doubt(doubt: NameDoubt) -> str:
    folder = f"{doubt.n_fitting} of {doubt.n_clear} clear names of its folder fit"
    return f"but it sounds like {plain_slot(doubt.heard)} ({percent(doubt.share)}, {folder})"


def _nearest(table: HitTable, hit: Hit) -> str:
    """Return how many of the nearest hits with a known role have the role of a hit."""
    row = table.rows.get(hit.id)
    if row is None:
        return ""
    strokes, squares = table.spaces.strokes, table.spaces.stroke_squares
    square = squares + squares[row] - 2.0 * (strokes @ strokes[row])
    n_searched = min(SEARCHED + 1, len(square))
    nearest = np.argpartition(square, n_searched - 1)[:n_searched]
    order = nearest[np.lexsort((nearest, square[nearest]))]
    ids = [int(table.hit_ids[k]) for k in order if k != row and square[k] <= NEAR**2]
    known = _known_roles(table.store, ids)[:N_NEAREST]
    if not known:
        return "no known hit is near it"
    if len(known) == 1:
        return f"the only known hit near it is {plain_slot(known[0])}"
    counts = Counter(known)
    most, n_most = counts.most_common(1)[0]
    own = "" if most == hit.role else f", {counts[hit.role]} {plain_slot(hit.role)}"
    return f"{n_most} of the {len(known)} nearest known hits are {plain_slot(most)}{own}"


def _known_roles(store: Store, hit_ids: Sequence[int]) -> list[str]:
    """Return the roles that the user or a name gave, in the order of the ids."""
    rows = store.database.read(
        "SELECT hit_id, role FROM hit_search WHERE role_source IN ('user', 'name')"
        " AND hit_id IN (SELECT value FROM json_each(?))",
        (json.dumps(list(hit_ids)),),
    )
    found = dict(rows)
    return [found[hit_id] for hit_id in hit_ids if hit_id in found]


def _drum(store: Store, hit: Hit) -> str:
    """Return how many other strokes of the drum have the role of a hit."""
    rows = store.database.read(
        "SELECT role FROM hit_search WHERE session = ? AND drum = ? AND state = 'here'"
        " AND hit_id != ?",
        (hit.session, hit.drum, hit.id),
    )
    counts = Counter(role for (role,) in rows)
    if not counts:
        return ""
    total = sum(counts.values())
    verb = "stroke of its drum is" if total == 1 else "strokes of its drum are"
    return f"{counts[hit.role]} of {total} other {verb} {plain_slot(hit.role)}"


def _sound(store: Store, hit: Hit) -> str:
    shares = store.hits.role_probabilities([hit.id])[0]
    best = np.argsort(-shares, kind="stable")[:N_LIKELY]
    listed = ", ".join(f"{plain_slot(ROLES[k])} {percent(shares[k])}" for k in best)
    return f"sound alone: {listed}"
