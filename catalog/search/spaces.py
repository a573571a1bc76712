"""Two judgements of likeness: strokes of one drum, and hits that sound alike from anywhere.

Both are fitted on open recordings (see `catalog.training`) and shipped as arrays. The first
is a Euclidean distance in a space where what differs between strokes of one drum counts less. The
second asks which roles two hits could play and how alike they are, and leaves room and microphone
out.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.features.embedding import EMBEDDING_DIM, EMBEDDING_VERSION, standardize_embeddings

METRIC_FILE = Path(__file__).with_name("spaces.npz")
ROLE_SHARE = 1.0  # of the similar distance, each part in units of its median
PLAIN_SHARE = 0.4  # 0.2 to 0.7 were alike on development recordings
ROWS_AT_ONCE = 8192  # bounds the memory of projecting a large library
Rows = slice | np.ndarray
ALL = slice(None)


@dataclass(frozen=True, eq=False)
class Metric:
    """The fitted arrays.

    Attributes
    ----------
    mean, scale : np.ndarray, shape (EMBEDDING_DIM,)
    strokes : np.ndarray, shape (EMBEDDING_DIM, n_strokes); to the space of one drum's strokes
    plain : np.ndarray, shape (EMBEDDING_DIM, n_plain); to the space of plain likeness
    role_median, plain_median : float, the usual size of the two parts of the similar distance
    """

    mean: np.ndarray
    scale: np.ndarray
    strokes: np.ndarray
    plain: np.ndarray
    role_median: float
    plain_median: float

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the numbers that they were fitted on."""
        arrays = {f.name: np.asarray(getattr(self, f.name), np.float32) for f in fields(self)}
        for name in ("strokes", "plain"):
            arrays[name] = arrays[name].astype(np.float16)
        np.savez_compressed(path, allow_pickle=False, version=EMBEDDING_VERSION, **arrays)


N_LEAD = (
    32  # coordinates of a rough look; 24 leave 4,000 of 100,000 hits to be measured, 48 take twice
)


@dataclass(frozen=True, eq=False)
class Spaces:
    """Every hit as points; row i is the same hit in all arrays.

    Attributes
    ----------
    hit_ids : np.ndarray, int64, shape (n,), ascending
    strokes : np.ndarray, float32, shape (n, n_strokes)
    alike : np.ndarray, float32, shape (n, n_plain), in units of the usual plain distance
    roles : np.ndarray, float32, shape (n, n_roles), role probabilities from sound
    role_unit : float, the usual size of `1 - p @ q`
    """

    hit_ids: np.ndarray
    strokes: np.ndarray
    alike: np.ndarray
    roles: np.ndarray
    role_unit: float

    @cached_property
    def stroke_squares(self) -> np.ndarray:
        """Squared length of each row of `strokes`; float32, shape (n,)."""
        return np.asarray(np.einsum("ij,ij->i", self.strokes, self.strokes))

    @cached_property
    def alike_squares(self) -> np.ndarray:
        """Squared length of each row of `alike`; float32, shape (n,)."""
        return np.asarray(np.einsum("ij,ij->i", self.alike, self.alike))


@lru_cache(maxsize=1)
def load_metric() -> Metric:
    """Load the shipped metric.

    Raises
    ------
    StoreError
        if it was fitted on numbers of another version
    """
    with np.load(METRIC_FILE, allow_pickle=False) as file:
        if int(file["version"]) != EMBEDDING_VERSION or len(file["mean"]) != EMBEDDING_DIM:
            raise StoreError(
                f"{METRIC_FILE.name} was fitted on other numbers: run catalog.training again"
            )
        arrays = {f.name: file[f.name].astype(np.float32) for f in fields(Metric)}
    return Metric(**arrays)


def make_spaces(
    hit_ids: np.ndarray, embeddings: np.ndarray, roles: np.ndarray, metric: Metric | None = None
) -> Spaces:
    """Project embeddings into both spaces.

    Parameters
    ----------
    hit_ids : np.ndarray, shape (n,)
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    roles : np.ndarray, shape (n, n_roles), see `catalog.library.metadata.role_model`
    metric : Metric, the shipped one by default

    Returns
    -------
    Spaces
    """
    metric = metric or load_metric()
    # one coordinate after the other in memory: a product with a point takes 1.2 instead of 1.7 ms
    strokes = np.empty((len(embeddings), metric.strokes.shape[1]), np.float32, order="F")
    alike = np.empty((len(embeddings), metric.plain.shape[1]), np.float32)
    for at in range(0, len(embeddings), ROWS_AT_ONCE):
        rows = slice(at, at + ROWS_AT_ONCE)
        part = standardize_embeddings(embeddings[rows], metric.mean, metric.scale)
        strokes[rows] = part @ metric.strokes
        alike[rows] = part @ metric.plain / metric.plain_median
    return Spaces(
        np.asarray(hit_ids, np.int64),
        strokes,
        alike,
        roles.astype(np.float32),
        float(metric.role_median),
    )


def stroke_distances(spaces: Spaces, row: int, among: Rows = ALL) -> np.ndarray:
    """Distance of every hit, or of those `among`, to the one in `row`, as strokes of one drum.

    Returns
    -------
    np.ndarray, float64, shape (n,)
    """
    return _euclid(spaces.strokes[among], spaces.strokes[row])


def alike_distances(spaces: Spaces, row: int) -> np.ndarray:
    """Distance of every hit to the one in `row` by likeness; float64, shape (n,)."""
    return alike_to(spaces, spaces.alike[row], spaces.roles[row])


def alike_to(spaces: Spaces, alike: np.ndarray, roles: np.ndarray, among: Rows = ALL) -> np.ndarray:
    """Distance of every hit to a point given by its plain position and its role probabilities.

    Parameters
    ----------
    spaces : Spaces
    alike : np.ndarray, shape (n_plain,)
    roles : np.ndarray, shape (n_roles,)
    among : slice or array of int, rows

    Returns
    -------
    np.ndarray, float64, shape (n,)
    """
    # 1 - p @ q is the chance that the two play different roles; it is not 0 for a hit of unsure
    # role against itself, and ranks better so (held-out sources: mAP 0.64 against 0.60 for the
    # squared difference of p and q)
    apart = 1.0 - spaces.roles[among].astype(np.float64) @ roles
    plain = _euclid(spaces.alike[among], alike)
    return np.asarray(ROLE_SHARE * apart / spaces.role_unit + PLAIN_SHARE * plain)


def _euclid(points: np.ndarray, point: np.ndarray) -> np.ndarray:
    """Differences are taken before squaring: near points keep their small distances."""
    difference = points - point
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", difference, difference, dtype=np.float64)))
