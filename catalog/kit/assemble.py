"""Kits from a pool of hits: all free slots chosen together, one slot exchanged, kept as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from catalog.errors import KitError, ParameterError
from catalog.kit.choose import Board, kit_cost, list_candidates, place_locked
from catalog.kit.coherence import Traits, judge_hits
from catalog.kit.slots import find_slot
from catalog.kit.wording import explain_kit
from catalog.library.records import Hit

LEVEL_RANGE_DB = (-24.0, 12.0)  # of the user's own change; more is another place in the kit
TUNING_RANGE = 3.0  # semitones either way: further the drum itself seems to change; common practice


@dataclass(frozen=True)
class Kit:
    """Chosen hits.

    Attributes
    ----------
    name : str
    slots : mapping of slot name to hit ids, the main hit first, then its layers and round robins
    locked : frozenset of slot names that the user chose
    why : mapping of slot name to lines that say how the hit fits the others
    score : float, mean cost of a slot; 0 is ideal, lower fits better
    passed : mapping of slot name to hit ids that `swap_slot` has gone through
    level_db : mapping of slot name to dB that the user turns it up or down by
    tuning_semitones : mapping of slot name to how far the user tunes it
    arranged : mapping of slot name to layers, weakest first, each its hit ids in the order of the
        round robins; where a slot is missing its layers are cut by strength
    """

    name: str = "kit"
    slots: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    locked: frozenset[str] = frozenset()
    why: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    score: float = 0.0
    passed: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    level_db: Mapping[str, float] = field(default_factory=dict)
    tuning_semitones: Mapping[str, float] = field(default_factory=dict)
    arranged: Mapping[str, tuple[tuple[int, ...], ...]] = field(default_factory=dict)

    def with_level(self, slot: str, level_db: float) -> Kit:
        """The kit with one slot turned up or down against its usual place.

        Parameters
        ----------
        slot : str
        level_db : float, dB, within `LEVEL_RANGE_DB`; 0 takes the change back

        Returns
        -------
        Kit

        Raises
        ------
        KitError
            if the kit does not fill the slot or the level is out of range
        """
        low, high = LEVEL_RANGE_DB
        self._check_setting(slot, "level_db", level_db, low=low, high=high)
        return replace(self, level_db=_set(self.level_db, slot, level_db))

    def with_tuning(self, slot: str, semitones: float) -> Kit:
        """The kit with one slot tuned by playing it faster or slower.

        Parameters
        ----------
        slot : str
        semitones : float, within `TUNING_RANGE`; 0 takes the change back

        Returns
        -------
        Kit

        Raises
        ------
        KitError
            if the kit does not fill the slot or the tuning is out of range
        """
        self._check_setting(slot, "semitones", semitones, low=-TUNING_RANGE, high=TUNING_RANGE)
        return replace(self, tuning_semitones=_set(self.tuning_semitones, slot, semitones))

    def _check_setting(
        self, slot: str, name: str, value: float, *, low: float, high: float
    ) -> None:
        find_slot(slot)
        if not self.slots.get(slot):
            raise KitError(f"slot {slot} is empty: fill it before you set it", slot=slot)
        if not low <= value <= high:
            raise KitError(f"{name}={value} of {slot} must be {low:g} to {high:g}", slot=slot)

    def to_json(self) -> str:
        """Write the kit as JSON text."""
        parts = {
            "name": self.name,
            "slots": {name: list(ids) for name, ids in self.slots.items()},
            "locked": sorted(self.locked),
            "why": {name: list(lines) for name, lines in self.why.items()},
            "score": self.score,
            "passed": {name: list(ids) for name, ids in self.passed.items()},
            "level_db": dict(self.level_db),
            "tuning_semitones": dict(self.tuning_semitones),
            "arranged": {name: [list(ids) for ids in ls] for name, ls in self.arranged.items()},
        }
        return json.dumps(parts, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Kit:
        """Read what `to_json` wrote.

        Raises
        ------
        KitError
            if the text is no kit
        """
        try:
            parts = json.loads(text)
            return cls(
                name=str(parts["name"]),
                slots={k: tuple(int(i) for i in v) for k, v in parts["slots"].items()},
                locked=frozenset(str(k) for k in parts["locked"]),
                why={k: tuple(str(line) for line in v) for k, v in parts["why"].items()},
                score=float(parts["score"]),
                passed={k: tuple(int(i) for i in v) for k, v in parts.get("passed", {}).items()},
                level_db=_settings(parts.get("level_db", {}), *LEVEL_RANGE_DB),
                tuning_semitones=_settings(
                    parts.get("tuning_semitones", {}), -TUNING_RANGE, TUNING_RANGE
                ),
                arranged={
                    k: tuple(tuple(int(i) for i in ids) for ids in v)
                    for k, v in parts.get("arranged", {}).items()
                },
            )
        except (ValueError, KeyError, TypeError, AttributeError) as err:
            raise KitError(f"this text is no saved kit: {err}") from err


def _set(settings: Mapping[str, float], slot: str, value: float) -> dict[str, float]:
    kept = {name: known for name, known in settings.items() if name != slot}
    return kept | ({slot: float(value)} if value else {})


def _settings(parts: Mapping[str, object], low: float, high: float) -> dict[str, float]:
    """Settings as they were saved; what is out of range is brought to its edge."""
    return {
        str(slot): min(max(float(str(value)), low), high)
        for slot, value in parts.items()
        if float(str(value)) == float(str(value))
    }


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
