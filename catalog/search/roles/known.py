"""What the store holds about roles: the known ones, and the drums, takes and folders of hits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from catalog.library.store.store import Store
from catalog.models import ROLES, RoleSource
from catalog.search.roles.classification import Examples

# The narrow table holds roles and drums as the user or the program gave them last.
SELECT = (
    "SELECT h.id, s.role, s.role_source, s.confidence, s.session, s.drum, h.path, h.region,"
    " h.channels FROM hit h JOIN hit_search s ON s.hit_id = h.id WHERE s.state = 'here'"
)
TIED = "SELECT hit_id FROM microphone WHERE stroke = hit_id"
CERTAIN = 0.995  # probability that a role of the user is right: a slip of the hand
NAME_RIGHT = 0.985  # share of right roles where names are clear, counted on real libraries
VAGUE_NAME = 0.35  # of `NAME_RIGHT` lost by a name of confidence 0, in proportion
CLEAR_NAME = 0.9  # confidence of a clear name, see `catalog.library.metadata.roles`
LEAST_CERTAINTY = 0.3


@dataclass(frozen=True, eq=False)
class KnownHits:
    """Roles and origins of hits; entry i of each field is the same hit."""

    ids: np.ndarray  # int64, shape (n,), ascending
    roles: np.ndarray  # int, shape (n,), index in `ROLES`
    sources: np.ndarray  # str, shape (n,), of `RoleSource`
    confidence: np.ndarray  # float, shape (n,)
    folders: tuple[str, ...]
    drums: tuple[tuple[Any, ...] | None, ...]  # key of the drum by its name; None without one
    takes: tuple[tuple[Any, ...] | None, ...]  # key of the take; None for a finished hit
    is_tied: np.ndarray  # bool, shape (n,): several microphones have voted on the role
    reliability: Mapping[str, float] = field(default_factory=dict)  # by folder

    @property
    def is_named(self) -> np.ndarray:
        """Which roles come from names."""
        return np.asarray(self.sources == RoleSource.NAME)

    @property
    def is_open(self) -> np.ndarray:
        """Which roles are estimated: neither the user nor a name gives them."""
        return np.isin(self.sources, (RoleSource.SOUND, RoleSource.EXAMPLE))

    @cached_property
    def drum_groups(self) -> list[np.ndarray]:
        """Rows of each drum with several finished hits."""
        return _group(self.drums)

    @cached_property
    def take_groups(self) -> list[np.ndarray]:
        """Rows of each take with several strokes."""
        return _group(self.takes)

    def certainty(self) -> np.ndarray:
        """Return the probability that each known role is right, shape (n,).

        That of a name falls with its vagueness and with the errors found in its folder.
        """
        vague = np.clip(1.0 - self.confidence / CLEAR_NAME, 0.0, 1.0)
        folder = np.array([self.reliability.get(name, 1.0) for name in self.folders])
        by_name = NAME_RIGHT * folder * (1.0 - VAGUE_NAME * vague)
        return np.where(self.is_named, np.clip(by_name, LEAST_CERTAINTY, CERTAIN), CERTAIN)

    def examples(self) -> Examples:
        """Return the known roles as examples: those of the user first, then one of each drum."""
        rows = np.flatnonzero(~self.is_open)
        turn = _turns([self.drums[row] or (self.takes[row], self.roles[row]) for row in rows])
        order = np.lexsort((rows, turn, self.is_named[rows]))
        chosen = rows[order]
        return Examples(chosen, self.roles[chosen], self.certainty()[chosen])


def read_known(store: Store, hit_ids: np.ndarray) -> KnownHits:
    """Read roles and origins of some present hits, given by ascending ids."""
    wanted = set(hit_ids.tolist())
    rows = sorted(row for row in store.database.read(SELECT) if row[0] in wanted)
    tied = {row[0] for row in store.database.read(TIED)}
    index = {role: k for k, role in enumerate(ROLES)}
    folders = [_folder(row[6]) for row in rows]
    pairs = list(zip(rows, folders, strict=True))
    return KnownHits(
        np.array([row[0] for row in rows], np.int64),
        np.array([index[row[1]] for row in rows], int),
        np.array([row[2] for row in rows], "U8"),
        np.array([row[3] for row in rows], float),
        tuple(folders),
        tuple((r[4], f, r[5]) if r[5] and not r[7] else None for r, f in pairs),
        tuple((row[6], row[8]) if row[7] else None for row in rows),
        np.array([row[0] in tied for row in rows], bool),
    )


def _folder(path: str | bytes) -> str:
    text = path if isinstance(path, str) else path.decode("utf-8", "surrogateescape")
    return text.rpartition("/")[0]


def _group(keys: Iterable[tuple[Any, ...] | None]) -> list[np.ndarray]:
    groups: dict[tuple[Any, ...], list[int]] = defaultdict(list)
    for row, key in enumerate(keys):
        if key is not None:
            groups[key].append(row)
    return [np.array(rows, int) for rows in groups.values() if len(rows) > 1]


def _turns(keys: Iterable[tuple[Any, ...]]) -> np.ndarray:
    """Return for each key how often it came before, so that sorting takes one of each first."""
    counts: dict[tuple[Any, ...], int] = defaultdict(int)
    turns = []
    for key in keys:
        turns.append(counts[key])
        counts[key] += 1
    return np.array(turns, int)
