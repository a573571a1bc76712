"""The search for copies in the background of the page; it goes on while the user is elsewhere."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from catalog.catalog import Catalog
from catalog.duplicates.groups import CopyGroup, UncertainPair
from catalog.errors import CatalogError
from catalog.reports import Progress


@dataclass(frozen=True)
class CopyState:
    """What was found, or how far the search is."""

    revision: int = -1  # of the catalog that was searched
    is_running: bool = False
    done: int = 0  # pairs
    total: int = 0  # pairs, 0 while it is not known
    groups: tuple[CopyGroup, ...] = ()
    uncertain: tuple[UncertainPair, ...] = ()
    error: str = ""  # why it failed


class CopySearch:
    """Search for copies in a thread.

    What was found before stays until the search has ended; the first search shows what it has found
    so far.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._state = CopyState()
        self._progress = Progress("comparing", 0, 0)
        self._partial: tuple[CopyGroup, ...] = ()  # found so far by the search that runs

    def state(self, catalog: Catalog) -> CopyState:
        """Return the state, and start a search if the catalog has changed since the last one."""
        revision = catalog.revision()
        with self._lock:
            state = self._state
            if not state.is_running and state.revision != revision:
                self._state = state = CopyState(
                    revision, is_running=True, groups=state.groups, uncertain=state.uncertain
                )
                self._progress, self._partial = Progress("comparing", 0, 0), ()
                thread = threading.Thread(target=self._run, args=(catalog, revision), daemon=True)
                thread.start()
            if not state.is_running:
                return state
            done, total = self._progress.done, self._progress.total
            groups = state.groups or self._partial
            return CopyState(revision, True, done, total, groups, state.uncertain)

    def _run(self, catalog: Catalog, revision: int) -> None:
        try:
            groups = tuple(catalog.duplicates.groups(self._note, on_partial=self._keep_partial))
            found = CopyState(revision, groups=groups, uncertain=tuple(catalog.duplicates.doubts()))
        except (CatalogError, OSError) as err:
            found = CopyState(revision, error=str(err))
        except Exception as err:  # nothing else would report an error of this thread
            found = CopyState(revision, error=f"{type(err).__name__}: {err}")
        with self._lock:
            self._state = found

    def _keep_partial(self, groups: list[CopyGroup]) -> None:
        self._partial = tuple(groups)

    def _note(self, progress: Progress) -> None:
        self._progress = progress
