"""Measure how well strokes of one drum are found: `drums.py LABELS_CSV FOLDER [--shipped]`.

Half of the drums are named, drawn at random, eight draws; the hits of the others are searched from
among all hits of their library. Four designs stand beside each other: the distance in the shipped
stroke space, the same with shared neighbors, the distance in the space learned from the named
drums, and that with shared neighbors (what `alternates` uses). Last comes the chance of
`Match.same_drum` against what was found, the groups that are suggested for the hits that are not
named, and the time of both steps at 100,000 hits.

Each source is a library of its own, measured with arrays fitted without it, or with the shipped
arrays (`--shipped`, for collections that had no part in the fit; all sources then are one library).
Names other than those of drums are never read.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.features.embedding import standardize_embeddings
from catalog.search.drums.drum_space import learn_drum_space
from catalog.search.drums.groups import MIN_HITS, Candidates, find_drum_groups
from catalog.search.drums.shared_neighbors import POOL, rank_distances, shared_distances
from catalog.search.matches import SAME_DRUM_LOGIT
from catalog.search.spaces import load_projection
from catalog.training.examples import measure_examples
from catalog.training.labels import Label, column, drum_names, read_labels
from catalog.training.spaces import fit_projection
from tests.bench.ear import average_precision, without_near_duplicates

N_DRAWS = 8
N_LISTED = 40  # alternates of which the chance is compared
BINS = ((0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01))
N_TIMED = 100_000


@dataclass(frozen=True)
class Library:
    """The hits of one library: points in the stroke space, and the drum of each, "" if unknown."""

    points: np.ndarray
    drums: np.ndarray
    sources: np.ndarray  # groups are looked for within each


def read_libraries(labels: list[Label], *, use_shipped: bool) -> list[Library]:
    """Measure the labelled hits and project them."""
    embeddings = measure_examples(labels, n_variations=0).recorded
    drums, sources = drum_names(labels), column(labels, "source")
    if use_shipped:
        return [Library(_project(embeddings, load_projection()), drums[:, 1], sources)]
    libraries = []
    for source in np.unique(sources):
        own = sources == source
        uniform = np.full((int((~own).sum()), 20), 0.05)  # roles have no part in the stroke space
        projection = fit_projection(embeddings[~own], drums[~own], uniform + np.eye(20)[0] * 1e-3)
        libraries.append(
            Library(_project(embeddings[own], projection), drums[own, 1], sources[own])
        )
    return libraries


def _project(embeddings, projection):
    rows = standardize_embeddings(embeddings, projection.mean, projection.scale)
    return (rows @ projection.strokes).astype(np.float64)


def draws(library: Library) -> Iterator[np.ndarray]:
    """Yield which hits are of named drums, for each draw."""
    names = np.unique(library.drums[library.drums != ""])
    for seed in range(N_DRAWS):
        chosen = np.random.default_rng(seed).permutation(names)[: len(names) // 2]
        yield np.isin(library.drums, chosen)


def learned_points(library: Library, is_named: np.ndarray) -> np.ndarray:
    """Return the points in the space learned from the named drums."""
    _, index = np.unique(library.drums[is_named], return_inverse=True)
    space = learn_drum_space(library.points[is_named], index, library.points)
    return library.points if space is None else library.points @ space.axes.astype(np.float64)


def ranked(points: np.ndarray, row: int, *, is_shared: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return the other rows, nearest first, and their distances in the space of the points."""
    distances = np.linalg.norm(points - points[row], axis=1)
    distances[row] = -1.0
    order = np.argsort(distances, kind="stable")
    distances[row] = 0.0
    if not is_shared:
        return order[1:], distances[order[1:]]
    shared = np.ones(len(order))
    pool = order[: POOL + 1]
    shared[: len(pool)] = shared_distances(points[pool])
    mixed = rank_distances(distances[order], shared)[1:]
    again = np.argsort(mixed, kind="stable")
    return order[1:][again], distances[order[1:]][again]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("labels", type=Path, metavar="LABELS_CSV")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--shipped", action="store_true", help="use the shipped arrays")
    parser.add_argument(
        "--leave-out", nargs="*", default=[], metavar="SOURCE",
        help="sources where files of one name are different drums",
    )  # fmt: skip
    args = parser.parse_args()
    labels = without_near_duplicates(
        read_labels(args.labels, args.folder), args.labels, args.folder
    )
    kept = [label for label in labels if label.source not in args.leave_out]
    libraries = read_libraries(kept, use_shipped=args.shipped)
    scores: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    stated: list[tuple[float, bool]] = []
    for library in libraries:
        for is_named in draws(library):
            measure_draw(library, is_named, scores, stated)
    for design, values in scores.items():
        mean = np.mean(values, axis=0)
        print(f"{design:26} mAP {mean[0]:.3f}  first {mean[1]:.3f}  n {len(values)}")
    print_calibration(np.array(stated))
    print_groups(libraries)
    print_cost(np.concatenate([library.points for library in libraries]))
    return 0


def measure_draw(
    library: Library,
    is_named: np.ndarray,
    scores: dict[str, list[tuple[float, bool]]],
    stated: list[tuple[float, bool]],
) -> None:
    """Search from each hit of a drum that is not named, with every design."""
    learned = learned_points(library, is_named)
    spaces = {"shipped": library.points, "learned": learned}
    for row in np.flatnonzero(~is_named & (library.drums != "")):
        for name, points in spaces.items():
            for is_shared in (False, True):
                order, distances = ranked(points, row, is_shared=is_shared)
                is_right = library.drums[order] == library.drums[row]
                if is_right.any():
                    design = f"{name}{', shared neighbors' * is_shared}"
                    scores[design].append((average_precision(is_right), bool(is_right[0])))
        stated += zip(chances(distances[:N_LISTED]), is_right[:N_LISTED], strict=True)


def chances(distances: np.ndarray) -> np.ndarray:
    """Return the chance of the same drum by distance and rank, see `Match.same_drum`."""
    base, by_distance, by_rank = SAME_DRUM_LOGIT
    ranks = np.arange(len(distances))
    return 1.0 / (1.0 + np.exp(-(base - by_distance * distances - by_rank * np.log1p(ranks))))


def print_calibration(pairs: np.ndarray) -> None:
    """Print the mean stated chance and the share of right answers in each bin."""
    for low, high in BINS:
        inside = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
        if len(inside):
            stated, right = inside.mean(axis=0)
            print(f"stated {stated:.2f}  right {right:.3f}  n {len(inside)}")
    sure = pairs[pairs[:, 0] >= 0.9]
    found = sure[:, 1].sum() / max(1, pairs[:, 1].sum())
    right = sure[:, 1].mean() if len(sure) else math.nan
    print(f"sure (0.9): right {right:.3f}, share of the strokes among the nearest {found:.3f}")


def print_groups(libraries: list[Library]) -> None:
    """Print how many of the suggested groups are of one drum, and of their hits of its drum."""
    n_groups = n_pure = n_hits = n_right = n_strokes = 0
    for library in libraries:
        single = np.array([f"hit {row}" for row in range(len(library.drums))])
        truth = np.where(library.drums == "", single, library.drums)
        _, index, counts = np.unique(truth, return_inverse=True, return_counts=True)
        for is_named in draws(library):
            n = len(truth)
            names = np.where(is_named, truth, "")
            parts = Candidates(
                np.arange(n), library.points, library.sources, [""] * n, names, [""] * n
            )
            n_strokes += int(((counts[index] >= MIN_HITS) & ~is_named).sum())
            for group in find_drum_groups(parts):
                members = truth[list(group.hit_ids)]
                most = max((members == name).sum() for name in members)
                n_groups, n_pure = n_groups + 1, n_pure + int(most == len(members))
                n_hits, n_right = n_hits + len(members), n_right + int(most)
    if n_groups:
        print(
            f"groups {n_groups}, of one drum {n_pure / n_groups:.3f}; hits {n_hits}, of the group's"
            f" drum {n_right / n_hits:.3f}, of all strokes of such drums {n_hits / n_strokes:.3f}"
        )


def print_cost(points: np.ndarray) -> None:
    """Print the processor time of shared neighbors, and of the map into the learned space."""
    rng = np.random.default_rng(0)
    many = points[rng.integers(0, len(points), N_TIMED)].astype(np.float32)
    many += rng.normal(scale=1e-2, size=many.shape).astype(np.float32)
    start = time.process_time()
    for row in range(50):
        shared_distances(many[row : row + POOL + 1])
    print(f"shared neighbors: {20.0 * (time.process_time() - start):.2f} ms a search")
    axes = rng.normal(size=(points.shape[1], 48)).astype(np.float32)
    start = time.process_time()
    np.asfortranarray(many @ axes)
    print(f"map of {N_TIMED} hits: {1000.0 * (time.process_time() - start):.0f} ms, once")


if __name__ == "__main__":
    sys.exit(main())
