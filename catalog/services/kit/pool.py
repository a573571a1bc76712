"""The hits that a kit may use."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence

from catalog.context import Context
from catalog.kit.fill.fill import Pool, fill_kit
from catalog.kit.fill.options import FillOptions, sessions_to_try
from catalog.kit.model import Kit
from catalog.kit.slots import DEFAULT_SLOTS, SLOTS
from catalog.library.review.faults import read_faults
from catalog.models import Event, Mark
from catalog.services.kit.taste import Taste

ALL = FillOptions()
# Faults of hits that no kit uses unless asked for, and their least weights, see `FAULT_KINDS`: hum
# from -65 dBFS on, a tail that is cut above -45 dB.
LEFT_OUT = {"clipped": 0.2, "hum": 0.4, "tail_cut": 0.5}


class HitPools:
    """Choose the hits that a kit may use.

    Parameters
    ----------
    context : Context
    find_kept : callable, returns the id of the kept hit for each copy
    """

    def __init__(self, context: Context, find_kept: Callable[[], Mapping[int, int]]) -> None:
        self._context = context
        self._find_kept = find_kept
        self._taste = Taste(context)

    def choose(
        self,
        *,
        keep: Collection[int] = (),
        options: FillOptions = ALL,
        among: Collection[int] | None = None,
    ) -> Pool:
        """Return the hits to choose from: no copies, none marked no good, none with a fault.

        Only strokes, and of those only hits of `among`, are used. Hits in `keep` stay, and then no
        copy of them and no hit that they are copies of. Hits with a fault are there for roles only
        that no other hit plays.
        """
        kept, keep = self._find_kept(), set(keep)
        leave_out = (set(kept) | {kept[i] for i in keep if i in kept}) - keep
        hits = [
            hit
            for hit in self._context.table().hits
            if hit.id in keep
            or (
                hit.id not in leave_out
                and hit.event == Event.STROKE
                and (among is None or hit.id in among)
                and options.allows(hit)
                and (options.no_good or hit.mark != Mark.NO_GOOD)
            )
        ]
        faulty = set() if options.faulty else self.faulty_hits().keys() - keep
        sound = {hit.role for hit in hits if hit.id not in faulty}
        hits = [hit for hit in hits if hit.id not in faulty or hit.role not in sound]
        ids = [hit.id for hit in hits]
        liking = None if options.plain else self._taste.values(ids)
        production = self._context.store.hits.production(ids)
        return Pool(tuple(hits), production, liking, options.layers)

    def of_kit(self, kit: Kit, *further: int, options: FillOptions = ALL) -> Pool:
        """Return the hits to choose from, with all that a kit holds or held, and further hits."""
        held = (*kit.slots.values(), *kit.passed.values(), further)
        return self.choose(keep={hit_id for ids in held for hit_id in ids}, options=options)

    def faulty_hits(self) -> dict[int, str]:
        """Return the hits with a fault that makes them unfit for a kit: id to kind of the fault."""
        faults = read_faults(self._context.store, kinds=tuple(LEFT_OUT))
        return {f.hit_id: f.kind for f in faults if f.weight >= LEFT_OUT[f.kind]}


def fill_from_one_session(
    pool: Pool,
    locked: Mapping[str, int],
    slots: Sequence[str] | None,
    *,
    seed: int,
    n: int,
) -> list[Kit]:
    """Return kits whose hits all come from one session, those with most slots first."""
    kits: list[Kit] = []
    for session in sessions_to_try(pool.hits, locked, slots):
        part = pool.of_session(session)
        held = {hit.role for hit in part.hits}
        names = [slot for slot in slots or DEFAULT_SLOTS if SLOTS[slot].roles[0] in held]
        kits += fill_kit(part, locked, slots=names if slots else None, seed=seed)
    kits.sort(key=lambda kit: (-len(kit.slots), kit.score))
    return kits[:n]
