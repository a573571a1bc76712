"""What a kit may be filled from, and warnings about what was asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from catalog.errors import KitError, ParameterError
from catalog.features.faults.kinds import FAULT_KINDS
from catalog.kit.fill.together import are_family
from catalog.kit.slots import DEFAULT_SLOTS, SLOTS, TOMS, find_slot
from catalog.models import Hit
from catalog.search.drums.drum_pitch import DrumPitch
from catalog.wording import plain_slot

MAX_SESSIONS = 6  # tried for a kit from one session
NO_FAULTS: Mapping[int, str] = {}


@dataclass(frozen=True)
class FillOptions:
    """What a kit may be filled from.

    Attributes
    ----------
    sessions : sequence of str, the only sessions that may be used; empty for all
    not_sessions : sequence of str, sessions that may not be used
    one_session : bool, all hits from one session
    n_sessions : int, the least number of sessions, 0 or more
    no_good, faulty : bool, also hits marked no good, or with a fault that makes them unfit
    plain : bool, without what was learned from the user's choices
    layers : bool, rather drums with several strokes, for layers
    """

    sessions: Sequence[str] = ()
    not_sessions: Sequence[str] = ()
    one_session: bool = False
    n_sessions: int = 0
    no_good: bool = False
    faulty: bool = False
    plain: bool = False
    layers: bool = False

    def __post_init__(self) -> None:
        if self.n_sessions < 0 or (self.one_session and self.n_sessions > 1):
            raise ParameterError(
                f"n_sessions={self.n_sessions} must be 0 or more, and at most 1 with one_session"
            )

    def allows(self, hit: Hit) -> bool:
        """Return whether the session of a hit may be used."""
        if self.sessions and hit.session not in self.sessions:
            return False
        return hit.session not in self.not_sessions


def check_sessions(options: FillOptions, hits: Collection[Hit]) -> None:
    """Raise `ParameterError` if a session of the options has no hits."""
    known = {hit.session for hit in hits}
    for name in (*options.sessions, *options.not_sessions):
        if name not in known:
            raise ParameterError(
                f"session {name!r} has no hits; `catalog sessions` lists the names of sessions"
            )


def sessions_to_try(
    hits: Sequence[Hit], locked: Mapping[str, int], slots: Sequence[str] | None
) -> list[str]:
    """Return the sessions that a kit from one session may come from, the fullest first.

    Raises
    ------
    KitError
        if the locked hits come from several sessions, or no hit has a known one
    """
    by_id = {hit.id: hit for hit in hits}
    fixed = {by_id[i].session for i in locked.values() if i in by_id}
    if len(fixed) > 1:
        raise KitError("the locked hits come from several sessions; lock hits of one session only")
    if fixed:
        return list(fixed)
    wanted = Counter(find_slot(name).roles[0] for name in slots or DEFAULT_SLOTS)
    held: dict[str, Counter[str]] = {}
    for hit in hits:
        if hit.session:
            held.setdefault(hit.session, Counter())[hit.role] += 1
    if not held:
        raise KitError("no hit has a known session; set sessions first")
    filled = {name: (wanted & roles).total() for name, roles in held.items()}
    return sorted(filled, key=lambda name: (-filled[name], name))[:MAX_SESSIONS]


def fill_warnings(
    slots: Mapping[str, int],
    locked: Collection[str],
    hits: Mapping[int, Hit],
    *,
    wanted: Sequence[str] | None = None,
    pitches: Mapping[int, DrumPitch] | None = None,
    faulty: Mapping[int, str] = NO_FAULTS,
) -> list[str]:
    """Return where a filled kit differs from what its user may expect.

    Parameters
    ----------
    slots : mapping of slot to id of its main hit
    locked : collection of str, slots that the user chose
    wanted : sequence of str, optional, slots that were to be filled; by default the usual ones
    faulty : mapping of id to kind of fault, for hits that are unfit
    """
    lines = [
        f"{plain_slot(name)}: hit {hit_id} ({hits[hit_id].name}) has a fault: "
        f"{FAULT_KINDS[faulty[hit_id]].label}"
        for name, hit_id in slots.items()
        if hit_id in faulty
    ]
    for name in (slot for slot in slots if slot in locked):
        hit = hits[slots[name]]
        if hit.role not in SLOTS[name].roles:
            role = plain_slot(hit.role)
            lines.append(
                f"{plain_slot(name)}: hit {hit.id} ({hit.name}) plays another role, {role}"
            )
    for first, second in combinations([slot for slot in slots if slot in locked], 2):
        lines += _conflicts(first, second, slots, hits, pitches or {})
    for name in wanted if wanted is not None else DEFAULT_SLOTS:
        if name not in slots:
            role = find_slot(name).roles[0]
            is_filled = any(find_slot(other).roles[0] == role for other in slots)
            what = "other drum" if is_filled else "hit"
            lines.append(
                f"{plain_slot(name)}: stays empty, no {what} of role {plain_slot(role)} may be used"
            )
    return lines


def _conflicts(
    first: str,
    second: str,
    slots: Mapping[str, int],
    hits: Mapping[int, Hit],
    pitches: Mapping[int, DrumPitch],
) -> list[str]:
    """Return how two locked hits do not go together."""
    a, b = hits[slots[first]], hits[slots[second]]
    both = f"{plain_slot(first)} and {plain_slot(second)}"
    if SLOTS[first].roles == SLOTS[second].roles and a.drum and _drum(a) == _drum(b):
        return [f"{both}: both locked hits are strokes of one drum, {a.drum}"]
    if first in TOMS and second in TOMS and a.id in pitches and b.id in pitches:
        is_upward = TOMS.index(first) < TOMS.index(second)
        if (pitches[a.id].hz < pitches[b.id].hz) != is_upward:
            return [f"{both}: the locked toms are in the wrong order of pitch"]
    if are_family(first, second) and a.session and b.session and a.session != b.session:
        return [f"{both}: the locked hits come from two sessions, {a.session} and {b.session}"]
    return []


def _drum(hit: Hit) -> tuple[str, str]:
    return hit.session, hit.drum
