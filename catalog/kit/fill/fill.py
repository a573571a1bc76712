"""Kits from a pool of hits: all free slots chosen together, one slot exchanged, kept as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.errors import KitError, ParameterError
from catalog.kit.fill.coherence import Traits, judge_hits
from catalog.kit.fill.explain import explain_kit
from catalog.kit.fill.solver import Board, kit_cost, list_candidates, place_locked
from catalog.kit.model import Kit
from catalog.kit.slots import find_slot
from catalog.models import Hit


@dataclass(frozen=True, eq=False)
class Pool:
    """Hits that may be chosen, and their production descriptors, shape (n, p)."""

    hits: tuple[Hit, ...]
    production: np.ndarray

    def __post_init__(self) -> None:
        if self.production.ndim != 2 or len(self.production) != len(self.hits):
            raise ParameterError(
                f"production has shape {self.production.shape}: it must hold one row for each of "
                f"the {len(self.hits)} hits"
            )


def fill_kit(
    pool: Pool,
    locked: Mapping[str, int],
    *,
    slots: Sequence[str] | None = None,
    seed: int = 0,
    n_best: int = 1,
) -> list[Kit]:
    """Fill the free slots so that all hits together sound like one kit.

    Parameters
    ----------
    pool : Pool
    locked : mapping of slot name to hit id; these stay
    slots : sequence of str, the slots to fill beside the locked ones; None takes the usual ones
        that the pool has hits for
    seed : int
    n_best : int, 1 or more, how many kits, each unlike those before it

    Returns
    -------
    list of Kit
        best first within what the earlier ones leave, one hit a slot; fewer than `n_best` where
        the pool holds no other kit

    Raises
    ------
    KitError
        if a slot is unknown or an asked slot has no hit left, or a locked hit is not in the pool
    ParameterError
        if `n_best` is below 1
    """
    if n_best < 1:
        raise ParameterError(f"n_best={n_best} must be 1 or more")
    fixed = place_locked(pool.hits, locked)
    free = list_candidates(pool.hits, fixed, slots)
    board = Board(judge_hits(pool.hits, pool.production), fixed, free)
    used: set[int] = set()
    kits: list[Kit] = []
    for number in range(n_best):
        rows = board.search(np.random.default_rng([seed, number]), used)
        used |= board.strokes_of(rows)
        kit = _kit_of(pool, board.traits, rows, frozenset(locked))
        if all(kit.slots != earlier.slots for earlier in kits):
            kits.append(kit)
    return kits


def swap_slot(pool: Pool, kit: Kit, slot: str) -> Kit:
    """Exchange one slot's hit for the next best one and keep the others.

    Asking again goes on to the one after it; when all were heard it begins again.

    Parameters
    ----------
    pool : Pool
    kit : Kit
    slot : str

    Returns
    -------
    Kit
        the slot holds its new main hit only, at its usual level and untuned

    Raises
    ------
    KitError
        if the slot is unknown, locked or has no other hit
    """
    board = _board_without(pool, kit, slot)
    current = kit.slots.get(slot, ())[:1]
    row, passed = _next_row(pool, board.ranked(slot), slot, (*kit.passed.get(slot, ()), *current))
    return _exchange(pool, board, kit, slot, row, passed)


def swap_back(pool: Pool, kit: Kit, slot: str) -> Kit:
    """Take the hit again that the slot held before the last `swap_slot`.

    Parameters
    ----------
    pool : Pool
    kit : Kit
    slot : str

    Returns
    -------
    Kit

    Raises
    ------
    KitError
        if the slot is unknown or locked, or nothing before it is left in the pool
    """
    board = _board_without(pool, kit, slot)
    passed = kit.passed.get(slot, ())
    row = next((r for r, hit in enumerate(pool.hits) if passed and hit.id == passed[-1]), None)
    if row is None:
        raise KitError(f"slot {slot} held no other hit before", slot=slot)
    return _exchange(pool, board, kit, slot, row, passed[:-1])


def _board_without(pool: Pool, kit: Kit, slot: str) -> Board:
    """The other slots as they are, this one free."""
    find_slot(slot)
    if slot in kit.locked:
        raise KitError(f"slot {slot} is locked; unlock it to hear another hit", slot=slot)
    fixed = place_locked(
        pool.hits, {n: ids[0] for n, ids in kit.slots.items() if n != slot and ids}
    )
    free = list_candidates(pool.hits, fixed, [slot])
    return Board(judge_hits(pool.hits, pool.production), fixed, free)


def _exchange(
    pool: Pool, board: Board, kit: Kit, slot: str, row: int, passed: tuple[int, ...]
) -> Kit:
    """Put a row into a slot; what was arranged there goes with the old hit."""
    new = _kit_of(pool, board.traits, board.fixed | {slot: row}, kit.locked)
    slots = {name: kit.slots[name] if name != slot else new.slots[slot] for name in kit.slots}
    slots[slot] = new.slots[slot]
    settings = [
        {name: value for name, value in known.items() if name != slot}
        for known in (kit.level_db, kit.tuning_semitones)
    ]
    return replace(
        new, name=kit.name, slots=slots, passed={**kit.passed, slot: passed},
        level_db=settings[0], tuning_semitones=settings[1],
        arranged={name: layers for name, layers in kit.arranged.items() if name != slot},
    )  # fmt: skip


def judge_kit(pool: Pool, kit: Kit) -> Kit:
    """The same kit with its score and its lines told anew, as it is tuned now.

    Parameters
    ----------
    pool : Pool
    kit : Kit

    Returns
    -------
    Kit

    Raises
    ------
    KitError
        if a main hit is not in the pool
    """
    filled = {name: ids[0] for name, ids in kit.slots.items() if ids}
    rows = place_locked(pool.hits, filled)
    traits = judge_hits(pool.hits, pool.production)
    body = traits.body.copy()
    for name, semitones in kit.tuning_semitones.items():
        if name in rows:
            body[rows[name]] += semitones
    tuned = replace(traits, body=body)
    return replace(
        kit,
        why=explain_kit(pool.hits, tuned, rows),
        score=kit_cost(tuned, rows, fixed=kit.locked & set(rows)),
    )


def _next_row(
    pool: Pool, order: list[int], slot: str, passed: tuple[int, ...]
) -> tuple[int, tuple[int, ...]]:
    """First row not passed yet, of a drum not passed if there is one; and what is passed now."""
    heard = {_drum(hit) for hit in pool.hits if hit.id in passed} - {None}
    order = sorted(order, key=lambda row: _drum(pool.hits[row]) in heard)
    fresh = [row for row in order if pool.hits[row].id not in passed]
    if not fresh:
        passed = passed[-1:]
        fresh = [row for row in order if pool.hits[row].id not in passed]
    if not fresh:
        raise KitError(f"slot {slot} has no other hit; scan more or give hits its role", slot=slot)
    return fresh[0], passed


def _drum(hit: Hit) -> tuple[str, str] | None:
    return (hit.session, hit.drum) if hit.session and hit.drum else None


def _kit_of(pool: Pool, traits: Traits, rows: Mapping[str, int], locked: frozenset[str]) -> Kit:
    return Kit(
        slots={name: (pool.hits[row].id,) for name, row in rows.items()},
        locked=locked,
        why=explain_kit(pool.hits, traits, rows),
        score=kit_cost(traits, rows, fixed=locked),
    )
