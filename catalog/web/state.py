"""The server side of the page: the open catalog and everything kept for it between requests."""

from __future__ import annotations

import gc
import hashlib
import secrets
import threading
import time
from collections.abc import Callable, Hashable
from contextlib import suppress
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np
from cachetools import LRUCache

from catalog.catalog import Catalog
from catalog.config import read_config
from catalog.duplicates.pairs.overlay import Overlay
from catalog.errors import CatalogError
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from catalog.kit.slots import NO_NOTES, NoteMap
from catalog.models import Hit
from catalog.search.layout import fill_ground
from catalog.web.columns import Columns, update_columns
from catalog.web.kit_session.session import KitSession
from catalog.web.payloads import PointPack, RowPack, pack_points, pack_rows
from catalog.web.server.copy_search import CopySearch
from catalog.web.server.map_job import MapJob
from catalog.web.server.scan_job import ScanJobs
from catalog.web.server.uploads import TemporaryFiles, UploadStore

if TYPE_CHECKING:
    from catalog.web.search import QueryAnswer

DOWNLOADS_KEPT = 32  # kits offered for download
ANSWERS_KEPT = 8  # hits that a query finds, 0.8 MB each for 100,000 hits
OVERLAYS_KEPT = 12  # aligned pairs of copies, 2 MB each at most
AUDIO_BYTES = 48 * 2**20  # previews and outlines
WARM_UP_DELAY_S = 2.0  # leaves the processor to the first picture
FREEZE_HITS = 5000  # after so many more hits they are excluded from garbage collection

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class SharedCache(Generic[Key, Value]):
    """A bounded cache for several threads; the least recently used value goes first."""

    def __init__(self, maxsize: int, sizeof: Callable[[Value], int] | None = None) -> None:
        self._values: LRUCache[Key, Value] = LRUCache(maxsize, getsizeof=sizeof)
        self._lock = threading.Lock()

    def put(self, key: Key, value: Value) -> None:
        """Store a value; one that is larger than the whole cache is not stored."""
        with self._lock, suppress(ValueError):
            self._values[key] = value

    def get(self, key: Key) -> Value | None:
        """Return the value of a key, or None."""
        with self._lock:
            return self._values.get(key)

    def pop(self, key: Key) -> Value | None:
        """Remove a key and return its value, or None."""
        with self._lock:
            return self._values.pop(key, None)


class PageServer:
    """The catalog behind the page, its current hits and points, and what requests share.

    `store_path` None is the default place; the store is opened on first use.
    """

    def __init__(self, store_path: Path | None = None) -> None:
        self.store_path = store_path
        self.left: Path | None = None  # store that the demo was opened from
        self.is_demo = False
        self.scans = ScanJobs()
        self.copy_search = CopySearch()
        self.map_job = MapJob()
        self.files = TemporaryFiles()
        self.uploads = UploadStore(self.files)
        self.answers: SharedCache[tuple[int, str], QueryAnswer] = SharedCache(ANSWERS_KEPT)
        self.downloads: SharedCache[str, tuple[Kit, ExportOptions]] = SharedCache(DOWNLOADS_KEPT)
        self.overlays: SharedCache[tuple[int, int], Overlay] = SharedCache(OVERLAYS_KEPT)
        self.audio: SharedCache[tuple[str, int], bytes] = SharedCache(AUDIO_BYTES, len)
        self._download_key = secrets.token_bytes(32)
        self._lock = threading.RLock()
        self._catalog: Catalog | None = None
        self._kit_session: KitSession | None = None
        self._hits: tuple[int, list[Hit]] | None = None
        self._columns: tuple[list[Hit], Columns] | None = None
        self._points: tuple[tuple[int, int], PointPack] | None = None
        self._rows: tuple[list[Hit], np.ndarray, RowPack] | None = None
        self._n_frozen = 0

    def close(self) -> None:
        """Close the catalog if it is open, and delete temporary files."""
        self.files.close()
        self.map_job.stop()
        with self._lock:
            if self._catalog is not None:
                self._catalog.close()
                self._catalog = None

    @property
    def catalog(self) -> Catalog:
        """The catalog; `StoreError` if its store cannot be opened."""
        with self._lock:
            if self._catalog is None:
                self._catalog = Catalog.open(self.store_path)
            return self._catalog

    @cached_property
    def notes(self) -> NoteMap:
        """The MIDI keys that the user gives to slots; a file of defaults that is wrong is ignored.

        The command that starts the page has refused it.
        """
        try:
            return read_config().notes
        except CatalogError:
            return NO_NOTES

    @property
    def kit_session(self) -> KitSession:
        """The kit that is being built, read from the store again if another program changed it."""
        with self._lock:
            if self._kit_session is None:
                self._kit_session = KitSession.load(self.catalog)
            session = self._kit_session
        session.refresh()
        return session

    def hits(self) -> list[Hit]:
        """Return all present hits, read again only after a change; do not alter the list."""
        catalog = self.catalog
        with self._lock:
            revision = catalog.revision()
            if self._hits is None or self._hits[0] != revision:
                self._hits = (revision, catalog.hits())
                self._freeze(len(self._hits[1]))
            return self._hits[1]

    def columns(self) -> Columns:
        """Return the present hits as columns, made again only after a change."""
        hits = self.hits()
        with self._lock:
            if self._columns is None or self._columns[0] is not hits:
                self._columns = hits, update_columns(self._columns, hits)
            return self._columns[1]

    def points(self) -> PointPack:
        """Return all points of the map, packed again only after a change."""
        catalog = self.catalog
        with self._lock:
            state = (catalog.revision(), catalog.map.version())
            if self._points is None or self._points[0] != state:
                layout = catalog.map.layout()
                self._points = (
                    state,
                    pack_points(self.columns(), layout.hit_ids, fill_ground(layout)),
                )
            return self._points[1]

    def rows(self) -> RowPack:
        """Return what the list shows of all points, packed again only after a change."""
        ids, hits = self.points().ids, self.hits()
        with self._lock:
            if self._rows is None or self._rows[0] is not hits or self._rows[1] is not ids:
                self._rows = hits, ids, pack_rows(self.columns(), hits, ids)
            return self._rows[2]

    def offer_download(self, kit: Kit, options: ExportOptions | None = None) -> str:
        """Store a kit for download and return the unguessable token that fetches it."""
        options = options or ExportOptions()
        text = f"{kit.to_json()} {options}".encode()
        token = hashlib.blake2b(text, digest_size=16, key=self._download_key).hexdigest()
        self.downloads.put(token, (kit, options))
        return token

    def warm_up(self) -> None:
        """Read in advance what the first visitor needs: the points, then the search table."""
        with suppress(CatalogError):  # the page shows what is wrong with a store
            ids = self.points().ids
            if len(ids):
                time.sleep(WARM_UP_DELAY_S)
                self.catalog.alternates(int(ids[0]), 1)

    def _freeze(self, n_hits: int) -> None:
        """Exclude the hits from garbage collection, which Streamlit starts after every run."""
        if n_hits - self._n_frozen >= FREEZE_HITS:
            gc.collect()
            gc.freeze()
            self._n_frozen = n_hits


_page = PageServer()


def page() -> PageServer:
    """Return the server side of the page of this process."""
    return _page


def use_store(store_path: str | Path | None) -> None:
    """Serve another store from now on, None is the default one; the store before it is closed."""
    global _page
    place = Path(store_path).absolute() if store_path is not None else None
    previous, _page = _page, PageServer(place)
    previous.close()


def use_demo(store_path: Path) -> None:
    """Serve the store of the demo library until `leave_demo`."""
    before = _page.store_path
    use_store(store_path)
    _page.left, _page.is_demo = before, True


def leave_demo() -> None:
    """Serve the store again that the demo was opened from."""
    if _page.is_demo:
        use_store(_page.left)
