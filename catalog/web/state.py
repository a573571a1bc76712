"""The one open catalog that the page script and the page's own routes share."""

from __future__ import annotations

import gc
import secrets
import threading
import time
from collections import OrderedDict
from contextlib import suppress
from pathlib import Path
from typing import Any

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.models import Hit
from catalog.web.payloads import PointPack, pack_points

KITS_KEPT = 32  # kits on the way out by download; the oldest is forgotten first
MASKS_KEPT = 64  # answers to what was looked for, 12 kB each for 100,000 hits

DRAWN_S = 2.0  # left to the first picture before the processor is taken up
SETTLE_HITS = 5000  # so many more hits are worth a pause to take them out of the collector's sight

_lock = threading.RLock()
_mask_lock = threading.Lock()  # of its own: a mask must not wait while hits are read
_place: Path | None = None
_catalog: Catalog | None = None
_pack: tuple[Any, PointPack] | None = None
_hits: tuple[int, list[Hit]] | None = None
_n_settled = 0
_outgoing: OrderedDict[str, Any] = OrderedDict()
_masks: OrderedDict[str, bytes] = OrderedDict()


def use_store(store_path: str | Path | None) -> None:
    """Say which store the page works on; an open one of another place is closed.

    Parameters
    ----------
    store_path : str, Path or None
        None is the default place
    """
    global _place, _catalog, _pack, _hits
    with _lock:
        place = Path(store_path).absolute() if store_path is not None else None
        if _catalog is not None and place != _place:
            _catalog.close()
            _catalog = None
        _place, _pack, _hits = place, None, None
        _outgoing.clear()


def open_catalog() -> Catalog:
    """Give the catalog, opened on the first call.

    Raises
    ------
    StoreError
        if the store cannot be opened
    """
    global _catalog
    with _lock:
        if _catalog is None:
            _catalog = Catalog.open(_place)
        return _catalog


def current_hits() -> list[Hit]:
    """Give all hits that are here, read again only after a change; not to be altered."""
    global _hits
    catalog = open_catalog()
    with _lock:
        revision = catalog.revision()
        if _hits is None or _hits[0] != revision:
            _hits = (revision, catalog.hits())
            _settle(len(_hits[1]))
        return _hits[1]


def _settle(n_hits: int) -> None:
    """Keep Python's collector off the hits; Streamlit calls it after every run of the page."""
    global _n_settled
    if n_hits - _n_settled >= SETTLE_HITS:
        gc.collect()
        gc.freeze()
        _n_settled = n_hits


def current_points() -> PointPack:
    """Give all points of the map, packed once for each state of the catalog."""
    global _pack
    catalog = open_catalog()
    with _lock:
        state = (catalog.revision(), catalog.map.version())
        if _pack is None or _pack[0] != state:
            layout = catalog.map.layout()
            _pack = (state, pack_points(current_hits(), layout.hit_ids, layout.xy))
        return _pack[1]


def warm_up() -> None:
    """Read what the first visitor would wait for: the points, then what search needs."""
    with suppress(CatalogError):  # the page itself says what is wrong with a store
        ids = current_points().ids
        if len(ids):
            time.sleep(DRAWN_S)  # whoever asks sooner has it read at once
            open_catalog().alternates(int(ids[0]), 1)


def put_outgoing(kit: Any) -> str:
    """Keep a kit for one download and give the word that fetches it; nobody can guess it."""
    with _lock:
        for word, known in _outgoing.items():
            if known is kit:
                return word
        word = secrets.token_urlsafe(16)
        _outgoing[word] = kit
        while len(_outgoing) > KITS_KEPT:
            _outgoing.popitem(last=False)
        return word


def put_mask(version: str, mask: bytes) -> None:
    """Keep which points fit, to be fetched by the page under `version`."""
    with _mask_lock:
        _masks[version] = mask
        _masks.move_to_end(version)
        while len(_masks) > MASKS_KEPT:
            _masks.popitem(last=False)


def get_mask(version: str) -> bytes | None:
    """Give the mask kept under `version`, or None."""
    with _mask_lock:
        return _masks.get(version)


def get_outgoing(word: str) -> Any | None:
    """Give the kit kept under `word`, or None."""
    with _lock:
        return _outgoing.get(word)
