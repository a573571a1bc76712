"""Search for a kit: a shortlist for each slot, then coordinate descent over the slots."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from catalog.errors import KitArgumentError, KitError
from catalog.kit.fill.coherence import Traits, role_cost, slot_pair_cost
from catalog.kit.fill.together import FAMILIES, apart_cost
from catalog.kit.slots import DEFAULT_SLOTS, TOMS, find_slot
from catalog.models import MARK_RANK, Hit, State

N_CANDIDATES = 40  # of a slot; with every hit allowed the kit is nearly always the same
N_STROKES = 4  # of one drum in a shortlist, so that a drum recorded often does not fill it
N_OF_SET = 4  # of a session that has the whole set; of toms, of each note
N_STARTS = 6  # orders of filling, or anchors where no slot is locked
N_ROUNDS = 12  # of coordinate descent, which converges after three or four
AMONG_FREE = 0.1  # weight of pairs of free slots beside pairs with a locked one
REUSE_COST = 0.25  # for a hit of an earlier kit, so that further kits differ from it


def locate_locked(hits: tuple[Hit, ...], locked: Mapping[str, int]) -> dict[str, int]:
    """Find the rows of the locked hits.

    Raises
    ------
    KitError
        if a slot is unknown, a hit is not among `hits` or is locked twice
    """
    row_of = {hit.id: row for row, hit in enumerate(hits)}
    for name, hit_id in locked.items():
        find_slot(name)
        if hit_id not in row_of:
            raise KitArgumentError(f"hit {hit_id} for slot {name} is not among the hits", slot=name)
    fixed = {name: row_of[hit_id] for name, hit_id in locked.items()}
    if len(set(fixed.values())) < len(fixed):
        raise KitArgumentError("one hit is locked in two slots; choose another for one of them")
    return fixed


def list_candidates(
    hits: tuple[Hit, ...], fixed: Mapping[str, int], slots: Sequence[str] | None
) -> dict[str, np.ndarray]:
    """List the rows that may fill each free slot; None takes the default slots with drums.

    Two default slots need two drums, so that no stroke of the low tom fills the middle one. The
    better mark comes first, so that it is chosen among rows of equal cost.

    Raises
    ------
    KitError
        if a slot is unknown, or is requested and has no hit
    """
    by_role: dict[str, list[int]] = {}
    taken = set(fixed.values())
    for row, hit in enumerate(hits):
        if hit.state == State.HERE and row not in taken:
            by_role.setdefault(hit.role, []).append(row)
    locked = {_drum_key(hits, row) for row in taken}
    left = {
        role: len(rows if slots is not None else {_drum_key(hits, row) for row in rows} - locked)
        for role, rows in by_role.items()
    }
    free = {}
    for name in dict.fromkeys(DEFAULT_SLOTS if slots is None else slots):
        role = find_slot(name).roles[0]
        if name in fixed:
            continue
        if left.get(role, 0) > 0:
            left[role] -= 1
            rows = sorted(by_role[role], key=lambda row: MARK_RANK[hits[row].mark])
            free[name] = np.array(rows, dtype=np.int64)
        elif slots is not None:
            raise KitError(
                f"slot {name} cannot be filled: no hit of role {role} is left; "
                "scan more recordings or give a hit that role",
                slot=name,
            )
    return free


def _drum_key(hits: tuple[Hit, ...], row: int) -> tuple[str, str] | int:
    hit = hits[row]
    return (hit.session, hit.drum) if hit.drum else row


@dataclass(frozen=True, eq=False)
class KitSearch:
    """A search for a kit."""

    traits: Traits
    fixed: dict[str, int]  # slot name to row
    free: dict[str, np.ndarray]  # slot name to the rows that may fill it

    def search(self, rng: np.random.Generator, used: set[int]) -> dict[str, int]:
        """Return the rows of the best kit of several starts, the fixed slots first.

        Rows in `used` are avoided where others fit nearly as well.
        """
        names = list(self.free)
        best, lowest = dict(self.fixed), np.inf
        table: CostTable | None = None
        for start in range(N_STARTS if names else 0):
            if table is None or not self.fixed:
                table = CostTable(
                    self.traits, self._shortlists(rng, used), fixed=self.fixed, used=used
                )
            order = names if start == 0 else [str(name) for name in rng.permutation(names)]
            picks = table.coordinate_descent(list(self.fixed), order)
            cost = table.total(picks)
            if cost < lowest - 1e-9:
                best, lowest = table.rows(picks), cost
        return best

    def _shortlists(self, rng: np.random.Generator, used: set[int]) -> dict[str, np.ndarray]:
        """Return the fixed rows, and for each free slot the rows nearest to the anchor."""
        anchor = self._anchor(rng)
        lists = {name: np.array([row]) for name, row in self.fixed.items()}
        for name, rows in self.free.items():
            cost = self.traits.rarity.cost(rows, anchor).mean(axis=1)
            cost = cost + role_cost(self.traits, rows)
            cost = cost + REUSE_COST * np.isin(rows, list(used))
            order = np.argsort(cost, kind="stable")
            if name in TOMS:
                order = np.concatenate([self._own_register(rows, order, name), order])
                order = order[np.sort(np.unique(order, return_index=True)[1])]
            order = order[_first_of_drum(self.traits.drum[rows[order]], N_STROKES)]
            whole = self._best_of_whole_sets(rows, order, name)
            order = np.concatenate([whole, order])
            order = order[np.sort(np.unique(order, return_index=True)[1])]
            lists[name] = rows[order[: N_CANDIDATES + len(whole)]]
        return lists

    def _own_register(self, rows: np.ndarray, order: np.ndarray, name: str) -> np.ndarray:
        """Return the best rows, half a shortlist, of the low, middle or high third of all toms."""
        pitch = self.traits.pitch[rows[order]]
        if np.isnan(pitch).all():
            return order[:0]
        third = TOMS.index(name)
        low, high = np.nanquantile(pitch, [third / 3, (third + 1) / 3])
        return np.asarray(order[(pitch >= low) & (pitch <= high)][: N_CANDIDATES // 2])

    def _best_of_whole_sets(self, rows: np.ndarray, order: np.ndarray, name: str) -> np.ndarray:
        """Return the best rows of each session that has hits for all slots of the family."""
        family = next((f for f in FAMILIES if name in f), ())
        others = [slot for slot in family if slot != name and slot in self.free | self.fixed]
        if not others:
            return order[:0]
        session = self.traits.groups["session"]
        whole = set(session[rows].tolist()) - {-1}
        for slot in others:
            own = self.free.get(slot, np.array([self.fixed.get(slot, 0)]))
            whole &= set(session[own].tolist())
        pitch = self.traits.pitch[rows] if name in TOMS else np.full(len(rows), np.nan)
        best: list[int] = []
        count: dict[tuple[int, int], int] = {}
        for index in order.tolist():
            at = int(session[rows[index]])
            note = -1 if np.isnan(pitch[index]) else round(pitch[index])
            if at in whole and count.get((at, note), 0) < N_OF_SET:
                count[at, note] = count.get((at, note), 0) + 1
                best.append(index)
        n_most = N_CANDIDATES * (len(TOMS) if name in TOMS else 1)
        return np.array(best[:n_most], dtype=np.int64)

    def strokes_of_drums(self, rows: Mapping[str, int]) -> set[int]:
        """Return the rows of the free slots, with all other strokes of those drums."""
        chosen = {rows[name] for name in self.free}
        drums = {int(self.traits.drum[row]) for row in chosen} - {-1}
        return chosen | set(np.flatnonzero(np.isin(self.traits.drum, list(drums))).tolist())

    def _anchor(self, rng: np.random.Generator) -> np.ndarray:
        """Return the rows to search near: the fixed ones, or a random one of certain role."""
        if self.fixed:
            return np.array(list(self.fixed.values()))
        rows = np.concatenate(list(self.free.values()))
        uncertainty = self.traits.uncertainty[rows]
        return np.array([rng.choice(rows[uncertainty <= np.median(uncertainty)])])

    def rank_candidates(self, slot: str) -> list[int]:
        """Return the rows that may fill a free slot, the best fit to the fixed ones first."""
        rows = self.free[slot]
        cost = role_cost(self.traits, rows)
        for name, row in self.fixed.items():
            other = np.array([row])
            cost = cost + self.traits.rarity.cost(rows, other)[:, 0] / len(self.fixed)
            cost = cost + slot_pair_cost(self.traits, (slot, rows), (name, other))[:, 0]
            cost = cost + apart_cost(self.traits.groups, (slot, rows), (name, other))[:, 0]
        return [int(row) for row in rows[np.argsort(cost, kind="stable")]]


def _first_of_drum(drums: np.ndarray, n_strokes: int) -> np.ndarray:
    """Indices of the first strokes of each drum; each hit of an unknown drum is kept."""
    count: dict[int, int] = {}
    keep = []
    for index, drum in enumerate(drums.tolist()):
        count[drum] = count.get(drum, 0) + 1
        if drum < 0 or count[drum] <= n_strokes:
            keep.append(index)
    return np.array(keep, dtype=np.int64)


def _pair_weight(n_fixed: int, n_slots: int, n_in_pair: int) -> float:
    """Weight of a pair: for a free slot the fixed ones sum to 1, the free ones to `AMONG_FREE`.

    With equal weights, many free slots would fit one another rather than the fixed ones.
    """
    if n_fixed == 0 or n_in_pair == 2:
        return 1.0 / max(1, n_slots - 1)
    return 1.0 / n_fixed if n_in_pair == 1 else AMONG_FREE / max(1, n_slots - n_fixed - 1)


class CostTable:
    """Costs of all shortlisted rows of each slot and of all pairs of them.

    `fixed` are the slots that the user chose, `used` the rows of earlier kits.
    """

    def __init__(
        self,
        traits: Traits,
        lists: Mapping[str, np.ndarray],
        *,
        fixed: Collection[str] = (),
        used: Collection[int] = (),
    ) -> None:
        self.lists = lists
        self.own = {
            name: role_cost(traits, rows) + REUSE_COST * np.isin(rows, list(used))
            for name, rows in lists.items()
        }
        self.pairs: dict[tuple[str, str], np.ndarray] = {}
        for a, b in combinations(lists, 2):
            weight = _pair_weight(len(fixed), len(lists), (a in fixed) + (b in fixed))
            cost = weight * traits.rarity.cost(lists[a], lists[b])
            cost += slot_pair_cost(traits, (a, lists[a]), (b, lists[b]))
            cost += apart_cost(traits.groups, (a, lists[a]), (b, lists[b]))
            cost[lists[a][:, None] == lists[b][None, :]] = np.inf  # one hit, one slot
            self.pairs[a, b], self.pairs[b, a] = cost, cost.T

    def coordinate_descent(self, fixed: list[str], names: list[str]) -> dict[str, int]:
        """Fill the slots in order, then improve each in turn until none changes."""
        picks = dict.fromkeys(fixed, 0)
        for name in names:
            picks[name] = self._best(name, picks)
        for _ in range(N_ROUNDS):
            before = dict(picks)
            for name in names:
                picks[name] = self._best(name, picks)
            if picks == before:
                break
        return picks

    def _best(self, name: str, picks: Mapping[str, int]) -> int:
        cost = self.own[name].copy()
        for other, at in picks.items():
            if other != name:
                cost += self.pairs[name, other][:, at]
        return int(np.argmin(cost))

    def rows(self, picks: Mapping[str, int]) -> dict[str, int]:
        """Return the rows of the picks, in the order of the slots."""
        return {name: int(rows[picks[name]]) for name, rows in self.lists.items()}

    def total(self, picks: Mapping[str, int]) -> float:
        """Sum the costs of the picked rows and of their pairs, each pair once."""
        cost = sum(float(self.own[name][at]) for name, at in picks.items())
        pairs = combinations(picks, 2)
        return cost + sum(float(self.pairs[a, b][picks[a], picks[b]]) for a, b in pairs)


def kit_cost(traits: Traits, rows: Mapping[str, int], *, fixed: Collection[str] = ()) -> float:
    """Compute the mean cost of a slot of a whole kit; 0 is ideal."""
    lists = {name: np.array([row]) for name, row in rows.items()}
    return CostTable(traits, lists, fixed=fixed).total(dict.fromkeys(lists, 0)) / max(1, len(lists))
