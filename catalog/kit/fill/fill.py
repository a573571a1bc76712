"""Fill kits from a pool of hits: all free slots together, or one slot again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.errors import ParameterError
from catalog.kit.fill.coherence import Traits, compute_traits
from catalog.kit.fill.explain import explain_kit
from catalog.kit.fill.reasons import give_reasons
from catalog.kit.fill.solver import KitSearch, kit_cost, list_candidates, locate_locked
from catalog.kit.fill.together import order_toms
from catalog.kit.model import Kit
from catalog.models import Hit


@dataclass(frozen=True, eq=False)
class Pool:
    """Hits to choose from, with their production descriptors of shape (n, p).

    `liking`, shape (n,), -1 to 1, is how much the user is likely to prefer each; None if unknown.
    With `wants_layers`, drums with several strokes are preferred.
    """

    hits: tuple[Hit, ...]
    production: np.ndarray
    liking: np.ndarray | None = None
    wants_layers: bool = False

    def __post_init__(self) -> None:
        if self.production.ndim != 2 or len(self.production) != len(self.hits):
            raise ParameterError(
                f"production has shape {self.production.shape}: it must hold one row for each of "
                f"the {len(self.hits)} hits"
            )

    def of_session(self, session: str) -> Pool:
        """Return the hits of one session."""
        rows = [row for row, hit in enumerate(self.hits) if hit.session == session]
        liking = None if self.liking is None else self.liking[rows]
        hits = tuple(self.hits[row] for row in rows)
        return Pool(hits, self.production[rows], liking, self.wants_layers)

    def traits(self) -> Traits:
        """Return the numbers that the costs of a kit are computed from."""
        return replace(
            compute_traits(self.hits, self.production),
            liking=self.liking,
            wants_layers=self.wants_layers,
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
    slots : sequence of str, the slots to fill beside the locked ones; None takes the default
        slots that the pool has hits for
    seed : int
    n_best : int, 1 or more, how many kits, each different from those before it

    Returns
    -------
    list of Kit
        best first, each chosen among what the earlier ones leave, one hit a slot; fewer than
        `n_best` where the pool holds no other kit

    Raises
    ------
    KitError
        if a slot is unknown or has no hit left, or a locked hit is not in the pool
    ParameterError
        if `n_best` is below 1
    """
    if n_best < 1:
        raise ParameterError(f"n_best={n_best} must be 1 or more")
    fixed = locate_locked(pool.hits, locked)
    free = list_candidates(pool.hits, fixed, slots)
    search = KitSearch(pool.traits(), fixed, free)
    used: set[int] = set()
    kits: list[Kit] = []
    for number in range(n_best):
        rows = search.search(np.random.default_rng([seed, number]), used)
        rows = order_toms(rows, pitch=search.traits.pitch, hits=pool.hits, free=tuple(free))
        used |= search.strokes_of_drums(rows)
        kit = Kit(
            slots={name: (pool.hits[row].id,) for name, row in rows.items()},
            locked=frozenset(locked),
            why=give_reasons(pool.hits, search.traits, rows, locked=locked),
            score=kit_cost(search.traits, rows, fixed=locked),
        )
        if all(kit.slots != earlier.slots for earlier in kits):
            kits.append(kit)
    return kits


def explain_in_numbers(pool: Pool, kit: Kit) -> dict[str, tuple[str, ...]]:
    """Return how each main hit of a kit fits the others in dB, s and Hz."""
    rows = locate_locked(pool.hits, {name: ids[0] for name, ids in kit.slots.items() if ids})
    return explain_kit(pool.hits, pool.traits(), rows)


def score_kit(pool: Pool, kit: Kit) -> Kit:
    """Return the kit with its score and explanations computed for its present tuning.

    Raises
    ------
    KitError
        if a main hit is not in the pool
    """
    rows = locate_locked(pool.hits, {name: ids[0] for name, ids in kit.slots.items() if ids})
    traits = pool.traits()
    pitch = traits.pitch.copy()
    for name, semitones in kit.tuning_semitones.items():
        if name in rows:
            pitch[rows[name]] += semitones
    tuned = replace(traits, pitch=pitch)
    return replace(
        kit,
        why=give_reasons(pool.hits, tuned, rows, locked=kit.locked),
        score=kit_cost(tuned, rows, fixed=kit.locked & set(rows)),
    )
