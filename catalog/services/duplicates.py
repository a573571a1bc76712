"""Groups of copies, uncertain pairs, and how one hit relates to others."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog.context import Context
from catalog.duplicates.asked import find_strokes_of
from catalog.duplicates.cached import (
    find_copies,
    find_uncertain_pairs,
    prefer_in_groups,
)
from catalog.duplicates.groups import CopyGroup, Grouping, UncertainPair
from catalog.duplicates.keeper import find_damage, find_same_file
from catalog.duplicates.mixes import MixedCopy, find_mixed_copies
from catalog.duplicates.pairs.decider import make_readers
from catalog.duplicates.pairs.kept import read_folders, read_kept, save_folders
from catalog.duplicates.pairs.overlay import Overlay, overlay_recordings
from catalog.duplicates.pairs.relations import Relation, find_relations, nearest_alike
from catalog.duplicates.report import format_report
from catalog.duplicates.strokes import count_strokes_once, uncertain_strokes
from catalog.errors import ParameterError
from catalog.library.scan.exports import record_exported_hits
from catalog.library.scan.folders import scanned_folders
from catalog.library.scan.processes.cluster import MEASURES, Cluster, open_cluster
from catalog.library.strokes.represent import save_chosen
from catalog.library.strokes.store_ties import tie_stored_strokes
from catalog.library.strokes.ties import StrokeTie, tie_strokes
from catalog.matching.candidates import project_embeddings
from catalog.matching.comparison.transfer import Alignment, estimate_alignment
from catalog.matching.views import compare_views, prepare_views
from catalog.models import Hit
from catalog.reports import OnProgress
from catalog.search.table import HitTable

CLASSIFIER = "catalog.matching.verdict:CLASSIFIER_VERSION"
MOST_COMPARED = 2000  # hits whose pairs are compared within seconds


class Duplicates:
    """Find hits that are the same recording; results are cached until the library changes."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._read, self._prepare = make_readers(context.read)
        self._exports_are_recorded = False

    def groups(
        self,
        on_progress: OnProgress | None = None,
        *,
        on_partial: Callable[[list[CopyGroup]], None] | None = None,
        cluster: str = "",
    ) -> list[CopyGroup]:
        """Return groups of hits that are the same recording, each with the one to keep.

        Parameters
        ----------
        on_progress : callable, optional, called with `Progress` records of step "comparing"
        on_partial : callable, optional, called a few times with the groups found so far, while
            hits are compared
        cluster : str, address of a dask.distributed scheduler whose workers compare the hits

        Returns
        -------
        list of CopyGroup

        Raises
        ------
        ParameterError
            if no scheduler responds at `cluster`
        ClusterError
            if its workers have other code or do not find the recordings, or it is lost

        Examples
        --------
        >>> groups = cat.copies()
        >>> len(groups), sum(len(group.others) for group in groups)
        (28, 30)
        """
        store, table = self._context.store, self._table()
        hits = {hit.id: hit for hit in table.hits}

        def count_once(groups: list[CopyGroup]) -> list[CopyGroup]:
            verdicts, preferred = store.pair_answers.read(), store.pair_answers.read_preferred()
            return count_strokes_once(groups, hits, verdicts, preferred=preferred)

        with self._connect(cluster) if cluster else nullcontext() as workers:
            groups = find_copies(
                store, table, self._prepare, read=self._read, on_progress=on_progress,
                on_partial=None if on_partial is None else lambda p: on_partial(count_once(p)),
                cluster=workers,
            )  # fmt: skip
        return count_once(groups)

    def _connect(self, address: str) -> AbstractContextManager[Cluster]:
        """Connect to a cluster whose workers judge pairs as this program does."""
        sees = [folder.path for folder in scanned_folders(self._context.store)]
        found = [path for path in sees if os.path.exists(path)]
        return open_cluster(address, same=(*MEASURES, CLASSIFIER), sees=found)

    def kept_of(self) -> dict[int, int]:
        """Return the id of the hit that is kept, for each of its copies.

        Hits of a small library are compared if that was not done yet; otherwise it is `read_kept`.
        """
        here = self._context.table().rows
        if len(here) <= MOST_COMPARED:
            return {i: group.keep for group in self.groups() for i in group.others}
        return read_kept(self._context.store, here)

    @property
    def were_searched(self) -> bool:
        """Whether copies were searched for in this store, also if hits were added since."""
        return self._context.store.group_cache.read() is not None

    def doubts(self) -> list[UncertainPair]:
        """Return pairs that may be one recording and that have no verdict by the user yet.

        Returns
        -------
        list of UncertainPair, the likeliest copies first; decide them with `set_verdict`
        """
        store, table = self._context.store, self._table()
        pairs = find_uncertain_pairs(store, table, self._prepare, read=self._read)
        hits = {hit.id: hit for hit in table.hits}
        return uncertain_strokes(pairs, hits, store.pair_answers.read())

    def set_verdict(self, first_id: int, second_id: int, same: bool | None) -> bool:
        """Store the user's verdict: whether two hits are one recording; None removes it.

        Returns
        -------
        bool, whether the stored verdict is another one than before

        Raises
        ------
        StoreError
            if a hit is unknown
        ParameterError
            if both are the same hit
        """
        first, second = self._context.hit(first_id), self._context.hit(second_id)
        if first.id == second.id:
            raise ParameterError(f"hit {first.id} is given twice; a verdict needs two hits")
        return self._context.store.pair_answers.save(first, second, same)

    def keep(self, *hit_ids: int) -> None:
        """Keep these hits, each of its group of copies instead of the proposed one.

        Raises
        ------
        ParameterError
            if a hit is in no group, or two of them are in one; nothing is changed then
        """
        hits = [self._context.hit(hit_id) for hit_id in dict.fromkeys(hit_ids)]
        prefer_in_groups(self._context.store, self.groups(), hits)

    def prefer_folders(self, folders: Sequence[str | Path]) -> None:
        """Prefer the files of these folders among equally good copies, the first folder most.

        The order is stored; an empty sequence removes it.
        """
        save_folders(self._context.store, map(Path, folders))

    def preferred_folders(self) -> list[Path]:
        """Return the folders whose files are preferred among copies, the best first."""
        return read_folders(self._context.store)

    def keepers(self, hit_ids: Collection[int]) -> dict[int, int]:
        """Return the hit that stays for each copy; hits in no group of copies are left out."""
        keep = {other: group.keep for group in self.groups() for other in group.others}
        return {hit_id: keep[hit_id] for hit_id in hit_ids if hit_id in keep}

    def keeper_faults(self, hit_ids: Collection[int]) -> dict[int, str]:
        """Return why copies must stay: the file to keep is missing, changed, or the same file.

        The file to keep is read whole and compared with its stored hash, for its size and time
        may be unchanged.

        Parameters
        ----------
        hit_ids : collection of int, hits that are to be set aside

        Returns
        -------
        dict of hit id to reason; hits that may go, and hits in no group, are not in it
        """
        faults = {}
        for group in self.groups():
            others = [hit_id for hit_id in group.others if hit_id in hit_ids]
            if not others or group.keep in hit_ids:
                continue
            keep = self._context.hit(group.keep)
            damage = next(filter(None, map(find_damage, self._microphones(keep))), "")
            for hit in map(self._context.hit, others):
                if reason := damage or find_same_file(keep, hit):
                    faults[hit.id] = f"{hit.path}: {reason}"
        return faults

    def take_faults(self, hit_ids: Collection[int]) -> dict[int, str]:
        """Return why copies in takes must stay: what is kept of a take is in several files.

        A take is a copy only if all its strokes are copies of strokes of one other file.

        Parameters
        ----------
        hit_ids : collection of int, hits that are to be set aside

        Returns
        -------
        dict of hit id to reason; hits that may go, and hits in no group, are not in it
        """
        strokes = defaultdict(list)
        for hit_id, keep_id in self.keepers(hit_ids).items():
            strokes[self._context.hit(hit_id).path].append((hit_id, self._context.hit(keep_id)))
        return {
            hit_id: f"{path}: its strokes would be kept in {n} files; hide hit {hit_id} instead"
            for path, copies in strokes.items()
            if (n := len({keep.path for _, keep in copies})) > 1
            for hit_id, _ in copies
        }

    def overlay(self, first_id: int, second_id: int) -> Overlay:
        """Align the second hit with the first and subtract it.

        Raises
        ------
        AudioError
            if a file is missing or damaged
        """
        read, hit = self._context.read, self._context.hit
        first, second = hit(first_id), hit(second_id)
        overlay = overlay_recordings(read(first), read(second))
        return replace(overlay, offset_s=overlay.offset_s + _start_difference_s(first, second))

    def report(self, outcomes: Mapping[int, str] | None = None, *, heading: str) -> str:
        """Return a plain-text report of all groups of copies and the outcome for each file.

        Parameters
        ----------
        outcomes : mapping of hit id to str, such as "set aside", optional
        heading : str, the first line

        Returns
        -------
        str
        """
        groups, outcomes = self.groups(), outcomes or {}
        ids = {i for group in groups for i in (group.keep, *group.others)} | set(outcomes)
        hits = {hit_id: self._context.hit(hit_id) for hit_id in ids}
        return format_report(groups, hits, outcomes=outcomes, heading=heading)

    def align(self, first_id: int, second_id: int) -> Alignment:
        """Estimate offset, gain, polarity and filter from one recording to the other.

        The offset is that of the stroke in its file, so silence before the stroke is part of it.

        Raises
        ------
        AudioError
            if a file is missing or damaged
        """
        first, second = (self._context.hit(i) for i in (first_id, second_id))
        views = tuple(prepare_views(self._context.read(hit)) for hit in (first, second))
        found = estimate_alignment(*compare_views([(views[0], views[1])])[0])
        return replace(found, offset_s=found.offset_s + _start_difference_s(first, second))

    def microphone_ties(self) -> list[StrokeTie]:
        """Return hits that are one stroke through several microphones, by file names and metadata.

        Contradictions from strength and arrival time are in `StrokeTie.against`.
        """
        return tie_strokes(self._context.hits(microphones=True))

    def choose_microphone(self, hit_id: int) -> None:
        """Let one microphone of a stroke stand for it in lists, searches and kits.

        Raises
        ------
        StoreError
            if there is no such hit
        ParameterError
            if the stroke has one microphone only
        """
        save_chosen(self._context.store, self._context.hit(hit_id))
        tie_stored_strokes(self._context.store, always=True)

    def groups_of(
        self, hit_ids: Collection[int], on_progress: OnProgress | None = None
    ) -> list[CopyGroup]:
        """Return the groups of copies that some hits are in; nothing else is compared."""
        return self._near(hit_ids, on_progress).groups

    def _near(self, hit_ids: Collection[int], on_progress: OnProgress | None) -> Grouping:
        return find_strokes_of(
            self._context.store, self._table(), hit_ids, self._prepare, read=self._read,
            on_progress=on_progress,
        )  # fmt: skip

    def related(
        self, hit_id: int, *, n_alike: int = 5, on_progress: OnProgress | None = None
    ) -> list[Relation]:
        """Return how other hits relate to one: copy, same stroke, same drum or alike.

        Only this hit and those nearest to it are compared.

        Parameters
        ----------
        hit_id : int
        n_alike : int, how many hits that only sound alike
        on_progress : callable, optional, called with `Progress` records of step "comparing"

        Returns
        -------
        list of Relation, the strongest first

        Raises
        ------
        StoreError
            if there is no such hit
        """
        hit = self._context.hit(hit_id)
        near = self._near([hit_id], on_progress)
        session = self._context.hits_of_session(hit.session)
        return find_relations(
            hit,
            [other for other in session if other.stroke == other.id],
            groups=near.groups,
            uncertain=near.uncertain,
            ties=tie_strokes(session),
            alike=nearest_alike(self._context.table(), hit_id, n_alike),
        )

    def mixes(self, hit_ids: Collection[int] | None = None) -> list[MixedCopy]:
        """Return finished hits that are a mix of the microphones of one stroke.

        Each hit is compared with the nearest strokes in sound, which takes a part of a second.

        Parameters
        ----------
        hit_ids : collection of int, optional
            hits to look at; None for all finished hits that are no stroke of several microphones

        Returns
        -------
        list of MixedCopy
        """
        table = self._table()
        tied = [hit for hit in table.hits if hit.tied]
        single = [
            hit
            for hit in table.hits
            if not hit.tied and not hit.region and (hit_ids is None or hit.id in hit_ids)
        ]
        points = [self._points(hits) for hits in (single, tied)]
        return find_mixed_copies(single, points[0], tied, points[1], read=self._context.read)

    def _points(self, hits: Sequence[Hit]) -> np.ndarray:
        embeddings = self._context.store.hits.embeddings([hit.id for hit in hits])
        return project_embeddings(embeddings) if hits else np.zeros((0, 1), np.float32)

    def _table(self) -> HitTable:
        """Return the table of hits; files of exported kits in older stores are recorded first."""
        if not self._exports_are_recorded:
            record_exported_hits(self._context.store)
            self._exports_are_recorded = True
        return self._context.microphone_table()

    def _microphones(self, hit: Hit) -> list[Hit]:
        return [self._context.hit(mic.hit_id) for mic in hit.microphones]


def _start_difference_s(first: Hit, second: Hit) -> float:
    """Return how much later the second hit starts in its file than the first, s."""
    return second.start / second.sr - first.start / first.sr
