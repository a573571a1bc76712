"""The two-dimensional map of all hits."""

from __future__ import annotations

import numpy as np

from catalog.context import Context, check_seed
from catalog.reports import OnProgress, Progress
from catalog.search.layout import Layout, compute_umap_layout, extend_layout, reuse_layout
from catalog.services.duplicates import Duplicates


class Map:
    """Compute, store and read the map; copies are placed on the hit to keep."""

    def __init__(self, context: Context, duplicates: Duplicates) -> None:
        self._context = context
        self._duplicates = duplicates

    def compute(self, *, seed: int = 0, on_progress: OnProgress | None = None) -> Layout:
        """Compute a new map and replace the stored one.

        Parameters
        ----------
        seed : int
        on_progress : callable, optional, called with `Progress` records of step "laying out"

        Returns
        -------
        Layout

        Raises
        ------
        ParameterError
            if `seed` is not between 0 and 4,294,967,295
        """
        check_seed(seed)
        table = self._context.table()
        representative = np.arange(len(table.hits))
        for group in self._duplicates.groups(on_progress):
            for other in group.others:
                representative[table.rows[other]] = table.rows[group.keep]
        if on_progress is not None:
            on_progress(Progress("laying out", 0, 1))
        layout = compute_umap_layout(table.spaces, representative, seed=seed)
        self._context.store.layouts.save(layout.hit_ids, layout.xy, kind=layout.kind, seed=seed)
        if on_progress is not None:
            on_progress(Progress("laying out", 1, 1))
        return layout

    def layout(self) -> Layout:
        """Return the position of each present hit; newer hits lie near similar ones.

        Positions of newer hits are stored, so that they are computed once.
        """
        stored = Layout(*self._context.store.layouts.read())
        layout = reuse_layout(self._context.store.hits.ids(), stored)
        if layout is not None:
            return layout
        layout = extend_layout(self._context.table().spaces, stored)
        if layout.kind == "placed":
            self._context.store.layouts.add(layout.hit_ids, layout.xy)
        return layout

    def version(self) -> int:
        """Return a number that changes when another map is stored."""
        return self._context.store.layouts.checksum()
