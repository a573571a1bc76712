"""What is there twice: groups of copies, pairs left open, and what the user said of them by ear."""

from __future__ import annotations

from collections.abc import Mapping

from catalog.duplicates.groups import CopyGroup
from catalog.duplicates.microphone_ties import StrokeTie
from catalog.duplicates.overlay import Overlay
from catalog.duplicates.relations import Relation
from catalog.duplicates.review import Doubt
from catalog.errors import CatalogError
from catalog.holdings import Holdings, OnProgress
from catalog.matching.transfer import Alignment
from catalog.matching.views import Recording
from catalog.models import Hit
from catalog.search.table import HitTable


class Copying(Holdings):
    """What `Catalog` knows of recordings that are there more than once."""

    def copies(self, on_progress: OnProgress | None = None) -> list[CopyGroup]:
        """Groups of hits that are the same recording, each with the one proposed to be kept.

        Found once for each state of the library and then remembered.

        Parameters
        ----------
        on_progress : callable, optional, told `Progress` records of step "comparing"

        Returns
        -------
        list of CopyGroup

        Examples
        --------
        >>> groups = cat.copies()
        >>> len(groups), sum(len(group.others) for group in groups)
        (29, 30)
        """
        return self._copies(self._current(), on_progress)

    def doubtful_copies(self) -> list[Doubt]:
        """Pairs that may be one recording: the samples leave it open, and nobody has said yet.

        Returns
        -------
        list of Doubt, the likeliest copies first; `say_same` answers them
        """
        from catalog.duplicates.cached import find_doubts

        return find_doubts(self._store, self._current(), self._prepare)

    def say_same(self, first_id: int, second_id: int, same: bool | None) -> None:
        """Say by ear whether two hits are one recording; it is remembered, None takes it back.

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        from catalog.library.store.annotations import say_same

        say_same(self._store, self.hit(first_id), self.hit(second_id), same)

    def keep_instead(self, hit_id: int) -> None:
        """Say which file of a group of copies is to stay, instead of the one proposed.

        Raises
        ------
        ParameterError
            if the hit is in no group
        """
        from catalog.duplicates.cached import keep_instead

        keep_instead(self._store, self.copies(), self.hit(hit_id))

    def overlay(self, first_id: int, second_id: int) -> Overlay:
        """Lay the second hit over the first, and subtract it.

        Raises
        ------
        AudioError
            if a file is gone or broken
        """
        from catalog.duplicates.overlay import lay_over

        return lay_over(self.audio(first_id), self.audio(second_id))

    def _copies(self, table: HitTable, on_progress: OnProgress | None) -> list[CopyGroup]:
        from catalog.duplicates.cached import find_copies

        return find_copies(self._store, table, self._prepare, on_progress)

    def copies_report(self, fates: Mapping[int, str] | None = None, *, heading: str) -> str:
        """A plain-text account of all groups of copies and of what became of each file.

        Parameters
        ----------
        fates : mapping of hit id to str, such as "set aside", optional
        heading : str, the first line

        Returns
        -------
        str
        """
        from catalog.duplicates.report import write_report

        groups, fates = self.copies(), fates or {}
        ids = {i for group in groups for i in (group.keep, *group.others)} | set(fates)
        return write_report(groups, {i: self.hit(i) for i in ids}, fates=fates, heading=heading)

    def align(self, first_id: int, second_id: int) -> Alignment:
        """Tell how one recording becomes the other: offset, gain, polarity, filter, what is left.

        Raises
        ------
        AudioError
            if a file is gone or broken
        """
        from catalog.matching.transfer import align_hits
        from catalog.matching.views import meet, prepare_recording

        first, second = (prepare_recording(self.audio(i)) for i in (first_id, second_id))
        return align_hits(*meet([(first, second)])[0])

    def strokes(self) -> list[StrokeTie]:
        """Hits that are one stroke through several microphones, tied by names and chunks.

        What strength and arrival say against a tie is in its `against`.
        """
        from catalog.duplicates.microphone_ties import tie_strokes

        return tie_strokes(self._current().hits)

    def relations(self, hit_id: int, *, n_alike: int = 5) -> list[Relation]:
        """What other hits are to one: copy, same stroke, same drum or alike, with the evidence.

        Parameters
        ----------
        hit_id : int
        n_alike : int, hits that only sound alike

        Returns
        -------
        list of Relation, the strongest first

        Raises
        ------
        StoreError
            if there is no such hit
        """
        from catalog.duplicates.relations import relate_hit
        from catalog.search.spaces import alike_distances

        hit, table = self.hit(hit_id), self._current()
        alike: list[tuple[int, float]] = []
        if hit_id in table.rows:
            distances = alike_distances(table.spaces, table.rows[hit_id])
            nearest = distances.argsort(kind="stable")[: n_alike + 1]
            alike = [(table.hits[row].id, float(distances[row])) for row in nearest]
        return relate_hit(
            hit,
            table.hits,
            groups=self.copies(),
            doubts=[(d.first, d.second, d.evidence) for d in self.doubtful_copies()],
            ties=self.strokes(),
            alike=alike,
        )

    def _prepare(self, hit: Hit) -> Recording | None:
        from catalog.matching.views import prepare_recording

        try:
            return prepare_recording(self._read(hit))
        except CatalogError:
            return None  # gone or broken since the scan: the next scan will say so
