"""The search for a kit: shortlists for each slot, then one slot after the other until it rests."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.errors import KitError
from catalog.kit.fill.coherence import Traits, music_cost, own_cost, sound_cost
from catalog.kit.slots import DEFAULT_SLOTS, TOMS, find_slot
from catalog.models import Hit, State

N_CANDIDATES = 40  # a slot; where tests allow every hit, the kit is nearly always the same
N_STROKES = 4  # of one drum in a shortlist, so that a drum recorded often leaves room for others
N_STARTS = 6  # orders of filling, or hits to begin from where nothing is locked
N_ROUNDS = 12  # of exchanging one slot after the other; it rests after three or four
AMONG_FREE = 0.1  # weight of the agreement among free slots beside that with the locked ones
REUSE_COST = 0.25  # for a hit of an earlier kit, so that further kits are unlike it


def place_locked(hits: tuple[Hit, ...], locked: Mapping[str, int]) -> dict[str, int]:
    """Rows of the locked hits.

    Raises
    ------
    KitError
        if a slot is unknown, a hit is not there or is locked twice
    """
    row_of = {hit.id: row for row, hit in enumerate(hits)}
    for name, hit_id in locked.items():
        find_slot(name)
        if hit_id not in row_of:
            raise KitError(f"hit {hit_id} for slot {name} is not among the hits", slot=name)
    fixed = {name: row_of[hit_id] for name, hit_id in locked.items()}
    if len(set(fixed.values())) < len(fixed):
        raise KitError("one hit is locked in two slots; choose another for one of them")
    return fixed


def list_candidates(
    hits: tuple[Hit, ...], fixed: Mapping[str, int], slots: Sequence[str] | None
) -> dict[str, np.ndarray]:
    """Rows that may fill each free slot.

    Parameters
    ----------
    hits : tuple of Hit
    fixed : mapping of slot name to row
    slots : sequence of str, or None for the usual ones that there are hits for

    Returns
    -------
    dict of slot name to np.ndarray of int

    Raises
    ------
    KitError
        if a slot is unknown, or was asked for and has no hit
    """
    by_role: dict[str, list[int]] = {}
    taken = set(fixed.values())
    for row, hit in enumerate(hits):
        if hit.state == State.HERE and row not in taken:
            by_role.setdefault(hit.role, []).append(row)
    left = {role: len(rows) for role, rows in by_role.items()}
    free = {}
    for name in dict.fromkeys(DEFAULT_SLOTS if slots is None else slots):
        role = find_slot(name).roles[0]
        if name in fixed:
            continue
        if left.get(role, 0) > 0:
            left[role] -= 1
            free[name] = np.array(by_role[role], dtype=np.int64)
        elif slots is not None:
            raise KitError(
                f"slot {name} cannot be filled: no hit of role {role} is left; "
                "scan more recordings or give a hit that role",
                slot=name,
            )
    return free


@dataclass(frozen=True, eq=False)
class Board:
    """One search: what is known of the hits, which rows are fixed, which may go where."""

    traits: Traits
    fixed: dict[str, int]
    free: dict[str, np.ndarray]

    def search(self, rng: np.random.Generator, used: set[int]) -> dict[str, int]:
        """Best kit of several starts.

        Parameters
        ----------
        rng : np.random.Generator
        used : set of int, rows to be avoided where others fit nearly as well

        Returns
        -------
        dict of slot name to row, the fixed ones first
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
            picks = table.settle(list(self.fixed), order)
            cost = table.total(picks)
            if cost < lowest - 1e-9:
                best, lowest = table.rows(picks), cost
        return best

    def _shortlists(self, rng: np.random.Generator, used: set[int]) -> dict[str, np.ndarray]:
        """The fixed rows; for each free slot the nearest to them, or to a hit drawn by chance."""
        heart = self._heart(rng)
        lists = {name: np.array([row]) for name, row in self.fixed.items()}
        for name, rows in self.free.items():
            cost = sound_cost(self.traits, rows, heart).mean(axis=1) + own_cost(self.traits, rows)
            cost = cost + REUSE_COST * np.isin(rows, list(used))
            order = np.argsort(cost, kind="stable")
            if name in TOMS:
                order = np.concatenate([self._own_third(rows, order, name), order])
                order = order[np.sort(np.unique(order, return_index=True)[1])]
            order = order[_first_of_drum(self.traits.pair[rows[order]], N_STROKES)]
            lists[name] = rows[order[:N_CANDIDATES]]
        return lists

    def _own_third(self, rows: np.ndarray, order: np.ndarray, name: str) -> np.ndarray:
        """The best half shortlist of the toms that are low, middle or high among all toms."""
        body = self.traits.body[rows[order]]
        if np.isnan(body).all():
            return order[:0]
        place = TOMS.index(name)
        low, high = np.nanquantile(body, [place / 3, (place + 1) / 3])
        return np.asarray(order[(body >= low) & (body <= high)][: N_CANDIDATES // 2])

    def strokes_of(self, rows: Mapping[str, int]) -> set[int]:
        """Rows of the free slots, with all other strokes of those drums."""
        chosen = {rows[name] for name in self.free}
        drums = {int(self.traits.pair[row]) for row in chosen} - {-1}
        return chosen | set(np.flatnonzero(np.isin(self.traits.pair, list(drums))).tolist())

    def _heart(self, rng: np.random.Generator) -> np.ndarray:
        """Rows that a shortlist gathers around: the fixed ones, or a sure one drawn by chance."""
        if self.fixed:
            return np.array(list(self.fixed.values()))
        every = np.concatenate(list(self.free.values()))
        doubt = self.traits.doubt[every]
        return np.array([rng.choice(every[doubt <= np.median(doubt)])])

    def ranked(self, slot: str) -> list[int]:
        """Rows that may fill a free slot, the one that fits the fixed ones best first."""
        rows = self.free[slot]
        cost = own_cost(self.traits, rows)
        for name, row in self.fixed.items():
            mate = np.array([row])
            cost = cost + sound_cost(self.traits, rows, mate)[:, 0] / len(self.fixed)
            cost = cost + music_cost(self.traits, (slot, rows), (name, mate))[:, 0]
        return [int(row) for row in rows[np.argsort(cost, kind="stable")]]


def _first_of_drum(pair: np.ndarray, n_strokes: int) -> np.ndarray:
    """Places of the first strokes of each drum, in order; unknown drums are each their own."""
    seen: dict[int, int] = {}
    keep = []
    for place, drum in enumerate(pair.tolist()):
        seen[drum] = seen.get(drum, 0) + 1
        if drum < 0 or seen[drum] <= n_strokes:
            keep.append(place)
    return np.array(keep, dtype=np.int64)


def _share(n_fixed: int, n_slots: int, n_in_pair: int) -> float:
    """Weight of one pair: a free slot owes 1 to all fixed ones, `AMONG_FREE` to all free ones.

    Were all pairs alike, many free slots would agree with one another and forget the fixed ones.
    """
    if n_fixed == 0 or n_in_pair == 2:
        return 1.0 / max(1, n_slots - 1)
    return 1.0 / n_fixed if n_in_pair == 1 else AMONG_FREE / max(1, n_slots - n_fixed - 1)


class CostTable:
    """Costs between all shortlisted rows of all slots.

    Parameters
    ----------
    traits : Traits
    lists : mapping of slot name to np.ndarray of int, shortlisted rows
    fixed : collection of slot names that the user chose
    used : collection of int, rows of earlier kits
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
        names = list(lists)
        self.own = {
            name: own_cost(traits, rows) + REUSE_COST * np.isin(rows, list(used))
            for name, rows in lists.items()
        }
        self.pairs: dict[tuple[str, str], np.ndarray] = {}
        for place, a in enumerate(names):
            for b in names[place + 1 :]:
                share = _share(len(fixed), len(names), (a in fixed) + (b in fixed))
                cost = share * sound_cost(traits, lists[a], lists[b])
                cost += music_cost(traits, (a, lists[a]), (b, lists[b]))
                cost[lists[a][:, None] == lists[b][None, :]] = np.inf  # one hit, one slot
                self.pairs[a, b], self.pairs[b, a] = cost, cost.T

    def settle(self, fixed: list[str], names: list[str]) -> dict[str, int]:
        """Place the slots one by one, then exchange each until nothing gets better."""
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
        """Rows of the picks, in the order of the slots."""
        return {name: int(rows[picks[name]]) for name, rows in self.lists.items()}

    def total(self, picks: Mapping[str, int]) -> float:
        """Sum over slots of the own cost and of the mean cost to the others, each pair once."""
        cost = sum(float(self.own[name][at]) for name, at in picks.items())
        names = list(picks)
        pairs = ((a, b) for place, a in enumerate(names) for b in names[place + 1 :])
        return cost + sum(float(self.pairs[a, b][picks[a], picks[b]]) for a, b in pairs)


def kit_cost(traits: Traits, rows: Mapping[str, int], *, fixed: Collection[str] = ()) -> float:
    """Mean cost of a slot of a whole kit, 0 is ideal.

    Parameters
    ----------
    traits : Traits
    rows : mapping of slot name to row
    fixed : collection of slot names that the user chose

    Returns
    -------
    float
    """
    lists = {name: np.array([row]) for name, row in rows.items()}
    return CostTable(traits, lists, fixed=fixed).total(dict.fromkeys(lists, 0)) / max(1, len(lists))
