"""Fill, change, save and export kits."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.context import Context, check_seed
from catalog.errors import KitArgumentError, KitError
from catalog.kit.change import (
    KitVersion,
    change_saved_kit,
    list_versions,
    take_back_version,
)
from catalog.kit.export import ExportOptions, ExportPlan, export_kit, plan_export
from catalog.kit.export.microphones import MicrophoneExport, use_microphones
from catalog.kit.export.plan import kit_warnings
from catalog.kit.fill.fill import explain_in_numbers, fill_kit, score_kit
from catalog.kit.fill.options import FillOptions, check_sessions, fill_warnings
from catalog.kit.fill.swap import Wish, put_hit, spread_sessions, swap_back, swap_slot
from catalog.kit.layers import MAX_LAYERS, add_layers, ids_of_drums, most_layers
from catalog.kit.model import Kit
from catalog.library.files.leftovers import export_under_way
from catalog.library.scan.exports import record_export
from catalog.models import Event, Hit
from catalog.reports import OnProgress
from catalog.services.kit.obstacles import all_hits, changed_files, no_good_lines
from catalog.services.kit.pool import ALL, HitPools, fill_from_one_session

if TYPE_CHECKING:
    from catalog.duplicates.groups import CopyGroup
    from catalog.search.constraints import ConstraintSpec


class Kits:
    """Choose the hits of kits, save kits in the store, and export them to folders."""

    def __init__(
        self,
        context: Context,
        find_groups_of: Callable[[Collection[int], OnProgress | None], Sequence[CopyGroup]],
        find_kept: Callable[[], Mapping[int, int]],
    ) -> None:
        self._context = context
        self._find_groups_of = find_groups_of
        self._pools = HitPools(context, find_kept)

    def fill(
        self,
        locked: Mapping[str, int],
        slots: Sequence[str] | None = None,
        *,
        seed: int = 0,
        no_good: bool = False,
        options: FillOptions | None = None,
        among: Collection[int] | None = None,
    ) -> Kit:
        """Choose hits for free slots so that the whole sounds like one kit.

        Parameters
        ----------
        locked : mapping of slot to hit id, kept as they are
        slots : sequence of str, optional
            slots to fill; by default those of a usual kit for which the library has hits
        seed : int
        no_good : bool, also choose hits that are marked "no-good"; locked ones always stay
        among : collection of int, optional, hits to choose from; by default all
        options : FillOptions, optional
            sessions that may be used, one session or several, hits with faults; by default hits of
            any session without the faults of `LEFT_OUT`

        Returns
        -------
        Kit

        Raises
        ------
        KitError
            if a slot is unknown or no hit can fill it

        Examples
        --------
        >>> snare = next(hit for hit in cat.hits() if hit.name == "SN brass towel hard 1")
        >>> kit = cat.fill_kit({"snare": snare.id}, ["kick", "hat_closed"])
        >>> sorted(kit.slots), kit.slots["snare"] == (snare.id,)
        (['hat_closed', 'kick', 'snare'], True)
        """
        return self.fill_several(
            locked, slots, n=1, seed=seed, no_good=no_good, options=options, among=among
        )[0]

    def fill_several(
        self,
        locked: Mapping[str, int],
        slots: Sequence[str] | None = None,
        *,
        n: int = 4,
        seed: int = 0,
        no_good: bool = False,
        options: FillOptions | None = None,
        among: Collection[int] | None = None,
    ) -> list[Kit]:
        """Choose several kits, the best first, each different from the others; see `fill`.

        Parameters
        ----------
        n : int, how many at most

        Raises
        ------
        KitError
            if a slot is unknown or no hit can fill it
        ParameterError
            if `n` is below 1 or `seed` is not between 0 and 4,294,967,295
        """
        check_seed(seed)
        options = options or ALL
        options = replace(options, no_good=no_good or options.no_good)
        check_sessions(options, self._context.table().hits)
        pool = self._pools.choose(keep=locked.values(), options=options, among=among)
        if options.one_session:
            return fill_from_one_session(pool, locked, slots, seed=seed, n=n)
        kits = fill_kit(pool, locked, slots=slots, seed=seed, n_best=n)
        if options.n_sessions > 1:
            kits = [spread_sessions(pool, kit, options.n_sessions) for kit in kits]
        return kits

    def fill_warnings(self, kit: Kit, slots: Sequence[str] | None = None) -> list[str]:
        """Return where a filled kit differs from what may be expected.

        A locked hit that plays another role, two locked hits that do not go together, slots of
        `slots` (by default the usual ones) that stay empty.
        """
        mains = {slot: ids[0] for slot, ids in kit.slots.items() if ids}
        hits = self._context.hits_by_id(mains.values())
        pitches = self._context.drum_pitches()
        faulty = self._pools.faulty_hits()
        return fill_warnings(mains, kit.locked, hits, wanted=slots, pitches=pitches, faulty=faulty)

    def explain(self, kit: Kit) -> dict[str, tuple[str, ...]]:
        """Return how each hit of a kit fits the others in dB, s and Hz; see `Kit.why` for words."""
        return explain_in_numbers(self._pools.of_kit(kit), kit)

    def swap(
        self,
        kit: Kit,
        slot: str,
        *,
        hit_id: int | None = None,
        but: ConstraintSpec | None = None,
        plain: bool = False,
    ) -> Kit:
        """Replace the hit of one slot by the next best; layers are chosen again.

        Parameters
        ----------
        hit_id : int, optional, the hit to take instead of the next best
        but : str, sequence of str or mapping, optional
            how the next hit must differ from the present one, see `Search.similar`
        plain : bool, without what was learned from the user's choices

        Raises
        ------
        KitError
            if the slot is unknown, locked, or has no other hit, or none that differs in this way
        """
        further = () if hit_id is None else (hit_id,)
        pool = self._pools.of_kit(kit, *further, options=FillOptions(plain=plain))
        if hit_id is not None:
            return self._with_layers_like(kit, put_hit(pool, kit, slot, hit_id))
        wish = None if but is None else Wish(but, self._context.drum_pitches())
        return self._with_layers_like(kit, swap_slot(pool, kit, slot, wish=wish))

    def swap_back(self, kit: Kit, slot: str) -> Kit:
        """Return to the hit that a slot held before `swap`; `KitError` if there was none."""
        return self._with_layers_like(kit, swap_back(self._pools.of_kit(kit), kit, slot))

    def add_layers(
        self, kit: Kit, n_layers: int = MAX_LAYERS, *, on_progress: OnProgress | None = None
    ) -> Kit:
        """Add the other strokes of each drum, without copies, as at most `n_layers` layers."""
        mains = {ids[0] for ids in kit.slots.values() if ids}
        present, leave_out = self._context.hits(), set[int]()
        for group in self._find_groups_of(ids_of_drums(mains, present), on_progress):
            members = {group.keep, *group.others}
            leave_out |= members - (members & mains or {group.keep})
        faulty = self._pools.faulty_hits().keys()
        if not mains & faulty:  # strokes of a drum whose main hit has a fault have it as well
            leave_out |= faulty
        hits = {hit.id: hit for hit in present if hit.event == Event.STROKE or hit.id in mains}
        hits |= self._context.estimate_missing_strengths({i: hits[i] for i in mains & hits.keys()})
        return add_layers(kit, list(hits.values()), leave_out=leave_out, n_layers=n_layers)

    def score(self, kit: Kit) -> Kit:
        """Return the kit with its score and reasons computed again for its present hits.

        Raises
        ------
        KitError
            if a main hit is not among the present hits
        """
        return score_kit(self._pools.of_kit(kit), kit)

    # Saved kits

    def save(self, kit: Kit, name: str, *, replace_saved: bool = False) -> int:
        """Save a kit in the store under a name and return its version number.

        A kit that it takes the place of stays as an older version, see `versions`.

        Use `change` to change a saved kit: it keeps what other programs changed meanwhile.

        Parameters
        ----------
        kit : Kit
        name : str
        replace_saved : bool, whether it may take the place of a saved kit of that name

        Raises
        ------
        ParameterError
            if the name is empty
        KitError
            if another kit has that name and `replace_saved` is False
        """
        kits, payload = self._context.store.kits, replace(kit, name=name).to_json()
        if replace_saved:
            return kits.save(name, payload)
        version = kits.save_if(name, payload, version=0)
        if version is None:
            raise KitArgumentError(
                f"a kit is named {name!r} already and was not replaced; give another name, or "
                "replace_saved=True (--yes)"
            )
        return version

    def save_version(self, kit: Kit, name: str, *, version: int) -> int | None:
        """Save a kit if `version` is that of its name, 0 for a new name; return its new version.

        Return None if another program has saved, renamed or deleted that kit meanwhile.
        """
        payload = replace(kit, name=name).to_json()
        return self._context.store.kits.save_if(name, payload, version=version)

    def version(self, name: str) -> int:
        """Return the version number of a saved kit, which grows with each change; 0 without one."""
        newest = self._context.store.kits.newest(name)
        return newest.version if newest else 0

    def change(self, name: str, change: Callable[[Kit], Kit]) -> Kit:
        """Change a saved kit in one transaction, and return it as it was saved.

        If another program changes the kit meanwhile, `change` is applied again to its new state, so
        that both changes are kept; see `change_saved_kit`.
        """
        return change_saved_kit(self._context.store, name, change)

    def versions(self, name: str) -> list[KitVersion]:
        """Return all saved states of a kit, the newest last; `StoreError` without such a kit."""
        return list_versions(self._context.store, name)

    def take_back(self, name: str, version: int) -> Kit:
        """Save an older state of a kit again as the newest one, and return it.

        Raises
        ------
        StoreError
            if no kit has that name
        KitError
            if it has no such version
        """
        return take_back_version(self._context.store, name, version)

    def saved(self) -> list[Kit]:
        """Return the saved kits, the newest of each name, in the order of their first saving."""
        return [
            replace(Kit.from_json(saved.payload), name=saved.name)
            for saved in self._context.store.kits.read()
        ]

    def delete(self, name: str) -> None:
        """Delete a saved kit with its versions, but no recording; `undo` brings it back.

        Raise `StoreError` if there is no such kit.
        """
        self._context.store.kits.delete(name)

    def rename(self, old: str, new: str) -> None:
        """Rename a saved kit; `StoreError` if the name is taken or there is no such kit."""
        self._context.store.kits.rename(old, new)

    def save_draft(self, text: str, *, before: str | None = None) -> bool:
        """Save the kit that is being built, as text, in place of the previous draft.

        With `before` this is done only if the draft is still that text; return whether it was.
        """
        return self._context.store.kits.save_draft(text, before=before)

    def draft(self) -> str:
        """Return the draft that was saved last; "" if there is none."""
        return self._context.store.kits.read_draft()

    # Export

    def warnings(self, kit: Kit) -> tuple[str, ...]:
        """Return what to check before an export: wrong or uncertain roles, missing strengths."""
        return kit_warnings(kit, self.hits_of(kit))

    def plan_export(
        self, kit: Kit, folder: str | Path, options: ExportOptions | None = None
    ) -> ExportPlan:
        """Return the files that `export` would write, with warnings and refusals.

        Parameters
        ----------
        kit : Kit
        folder : str or Path
        options : ExportOptions, optional

        Returns
        -------
        ExportPlan
            nothing is written

        Raises
        ------
        KitError
            if the kit is empty or names an unknown slot or hit
        """
        used = self._use_microphones(kit, options)
        plan = plan_export(
            kit, used.hits, folder, read=used.read, options=options, microphones=used
        )
        no_good = [] if plan.options.no_good else no_good_lines(kit, used.hits)
        changed = changed_files(all_hits(used))
        return replace(plan, refusals=(*plan.refusals, *no_good, *changed))

    def export(
        self, kit: Kit, folder: str | Path, options: ExportOptions | None = None
    ) -> list[Path]:
        """Write a kit as audio, SFZ, note map and manifest into a new folder.

        Parameters
        ----------
        kit : Kit
        folder : str or Path, must not exist yet
        options : ExportOptions, optional; by default 24-bit WAV at the rate of each recording

        Returns
        -------
        list of Path, the files written

        Raises
        ------
        KitError
            if the folder exists, a recording has changed since it was scanned or is marked
            "no-good" (unless `options.no_good`), or the kit cannot be written; no partial folder is
            left

        Examples
        --------
        >>> kit = cat.fill_kit({}, ["kick", "snare"])
        >>> sorted(path.name for path in cat.export_kit(kit, "my kit") if path.suffix == ".sfz")
        ['kit.sfz']
        """
        used = self._use_microphones(kit, options)
        if not (options and options.no_good) and (lines := no_good_lines(kit, used.hits)):
            raise KitError(lines[0])
        if changed := changed_files(all_hits(used)):
            raise KitError(changed[0])
        with export_under_way(self._context.store, Path(folder)):
            written = export_kit(
                kit, used.hits, folder, read=used.read, options=options, microphones=used
            )
        record_export(self._context.store, Path(folder).absolute())
        return written

    def hits_of(self, kit: Kit) -> dict[int, Hit]:
        """Return all hits of a kit by id."""
        return self._context.hits_by_id({i for ids in kit.slots.values() for i in ids})

    def _use_microphones(self, kit: Kit, options: ExportOptions | None) -> MicrophoneExport:
        """Return the strokes of a kit with the microphones that an export uses."""
        hits, read, options = self.hits_of(kit), self._context.read, options or ExportOptions()
        if not options.microphone:
            return MicrophoneExport(hits, read)
        ids = {mic.hit_id for hit in hits.values() for mic in hit.microphones}
        microphones = {hit_id: self._context.hit(hit_id) for hit_id in ids}
        return use_microphones(hits, microphones, options, read=read)

    def _with_layers_like(self, before: Kit, kit: Kit) -> Kit:
        if all(len(ids) < 2 for ids in before.slots.values()):
            return kit
        most = most_layers(before, self.add_layers(before), self.hits_of(before))
        return self.add_layers(kit, most)
