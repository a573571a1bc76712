"""Measure how much known roles help the rest: `teach.py LABELS_CSV FOLDER [--shipped]`.

Roles of a share of the hits are given, drawn by hits, by whole drums or by whole kits; those of the
rest are estimated. Four estimates stand beside each other: the shipped model alone, the nearest
known hit (within 1.2 of the stroke space), the product without the drums that names show, and the
product with them. Each source is a library of its own and is measured with arrays fitted without
it, or with the shipped arrays (`--shipped`, for collections that had no part in the fit). Role
"other" is neither given nor counted, but in the lines "all roles". Names are never read. Then a
share of wrong names is drawn and looked for, and last come the calibration and the cost.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from catalog.library.metadata.role_model import load_role_model
from catalog.models import ROLES, Role, RoleSource
from catalog.search.roles.classification import Examples, RoleProcess, Sounds, fit_process
from catalog.search.roles.estimates import estimated_probabilities
from catalog.search.roles.known import CERTAIN, CLEAR_NAME, NAME_RIGHT, KnownHits
from catalog.search.roles.names import find_doubts
from catalog.search.spaces import load_projection, make_spaces
from catalog.training.examples import Examples as LabelledExamples
from catalog.training.examples import measure_examples
from catalog.training.labels import column, drum_names
from catalog.training.roles import fit_calibrated
from catalog.training.spaces import fit_projection
from tests.bench.ear import read_arguments

SHARES = (0.0, 0.05, 0.1, 0.3, 0.6)
N_DRAWS = 8
RADIUS = 1.2  # within which the nearest known hit decides
WRONG_SHARES = (0.015, 0.05)  # of the names
N_NAME_DRAWS = 3
BINS = ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.95), (0.95, 1.01))


@dataclass(frozen=True)
class Library:
    """The hits of one source with their truth."""

    sounds: Sounds
    roles: np.ndarray  # index in ROLES
    drums: np.ndarray  # str, unique for each drum
    kits: np.ndarray


def libraries(examples: LabelledExamples, *, use_shipped: bool) -> Iterator[Library]:
    """Yield each source as a library, measured by arrays fitted without it unless shipped."""
    labels, recorded = examples.labels, examples.recorded
    drums = drum_names(labels)
    sources, kits = column(labels, "source"), column(labels, "kit")
    roles = np.array([ROLES.index(label.role) for label in labels])
    if use_shipped:
        prior = load_role_model().probabilities(recorded)
    else:
        calibrated = fit_calibrated(examples)
        prior = np.maximum(calibrated.held_out, 1e-30) ** (1 / calibrated.model.temperature)
        prior /= prior.sum(axis=1, keepdims=True)
    for source in np.unique(sources):
        seen, rows = sources != source, np.flatnonzero(sources == source)
        projection = (
            load_projection()
            if use_shipped
            else fit_projection(recorded[seen], drums[seen], prior[seen])
        )
        spaces = make_spaces(rows, recorded[rows], prior[rows], projection=projection)
        own = np.array([d or f"hit {row}" for row, d in zip(rows, drums[rows, 1], strict=True)])
        sounds = Sounds(spaces.strokes, spaces.acoustic, np.asarray(prior[rows], np.float64))
        yield Library(sounds, roles[rows], own, kits[rows])


def draw(library: Library, by: str, share: float, rng: np.random.Generator) -> np.ndarray:
    """Return which hits are known, bool, shape (n,)."""
    units = {"hits": np.arange(len(library.roles)), "drums": library.drums, "kits": library.kits}
    names, index = np.unique(units[by], return_inverse=True)
    return (rng.random(len(names)) < share)[index]


def teach(library: Library, rows: np.ndarray) -> RoleProcess:
    """Fit the product to the true roles of some rows, in an order drawn once."""
    order = np.random.default_rng(0).permutation(rows)
    certainty = np.full(len(order), CERTAIN)
    return fit_process(library.sounds, Examples(order, library.roles[order], certainty))


def drum_groups(library: Library) -> list[np.ndarray]:
    groups = [np.flatnonzero(library.drums == drum) for drum in np.unique(library.drums)]
    return [group for group in groups if len(group) > 1]


def estimates(library: Library, rows: np.ndarray) -> dict[str, np.ndarray]:
    """Return the probabilities of each estimate, shape (n, n_roles)."""
    process = teach(library, rows)
    return {
        "shipped": library.sounds.prior,
        "nearest": nearest_known(library, rows),
        "taught": process.probabilities(),
        "with drums": estimated_probabilities(process, drum_groups(library)),
    }


def nearest_known(library: Library, rows: np.ndarray) -> np.ndarray:
    """Return the role of the nearest known hit within the radius, else the shipped one."""
    result = np.array(library.sounds.prior, np.float64)
    if len(rows):
        points = library.sounds.strokes.astype(float)
        a, b = points, points[rows]
        square = np.square(a).sum(1)[:, None] + np.square(b).sum(1) - 2 * a @ b.T
        near = np.flatnonzero(square.min(axis=1) < RADIUS**2)
        result[near] = np.eye(len(ROLES))[library.roles[rows[square[near].argmin(axis=1)]]]
    return result


def main() -> int:
    args, labels = read_arguments(__doc__.splitlines()[0])
    measured = measure_examples(labels, n_variations=0 if args.shipped else args.variations)
    sources = list(libraries(measured, use_shipped=args.shipped))
    print(f"{len(labels)} hits of {len(sources)} sources; each figure counts the hits not known")
    stated: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    for by in ("hits", "drums", "kits"):
        for share in SHARES if by == "hits" else SHARES[2:]:
            print_share(sources, (by, share), stated)
    for by in ("hits", "drums"):
        for share in (0.1, 0.3):
            print_share(sources, (by, share), None)
    for share in WRONG_SHARES:
        print_wrong_names(sources, share)
    for name, pairs in stated.items():
        print_calibration(name, np.array(pairs))
    print_cost(sources)
    return 0


def print_share(
    sources: list[Library],
    drawn: tuple[str, float],
    stated: dict[str, list[tuple[float, bool]]] | None,
) -> None:
    """Print how many roles are right; without `stated` role "other" is given and counted too."""
    right: dict[str, list[bool]] = defaultdict(list)
    rng = np.random.default_rng(0)
    for library in sources * N_DRAWS:
        known = draw(library, *drawn, rng)
        is_used = (library.roles != ROLES.index(Role.OTHER)) | (stated is None)
        for name, chances in estimates(library, np.flatnonzero(known & is_used)).items():
            counted = ~known & is_used
            is_right = (chances.argmax(axis=1) == library.roles)[counted]
            right[name] += is_right.tolist()
            if stated is not None:
                stated[name] += zip(chances.max(axis=1)[counted], is_right, strict=True)
    figures = "  ".join(f"{name} {np.mean(values):.3f}" for name, values in right.items())
    roles = "" if stated is not None else "all roles "
    print(f"known {drawn[1]:4.0%} by {drawn[0]:6} {roles}{figures}", flush=True)


def print_wrong_names(sources: list[Library], share: float) -> None:
    """Print how many wrong names are listed where all hits are named, and how many right ones.

    A wrong name is that of another role that occurs in the source.
    """
    n_found = n_false = n_wrong = 0
    rng = np.random.default_rng(0)
    for library in sources * N_NAME_DRAWS:
        named, present = library.roles.copy(), np.unique(library.roles)
        for row in np.flatnonzero(rng.random(len(named)) < share) if len(present) > 1 else ():
            named[row] = rng.choice(present[present != named[row]])
        order = rng.permutation(len(named))
        examples = Examples(order, named[order], np.full(len(order), NAME_RIGHT))
        process = fit_process(library.sounds, examples)
        chances = process.probabilities()
        chances[process.examples.rows] = process.left_out()
        listed = {doubt.hit_id for doubt in find_doubts(as_names(named), chances)}
        is_wrong = (named != library.roles) & (named != ROLES.index(Role.OTHER))
        wrong = set(np.flatnonzero(is_wrong).tolist())
        n_found += len(listed & wrong)
        n_false += len(listed - wrong)
        n_wrong += len(wrong)
    print(f"wrong names {share:.1%}: {n_found} of {n_wrong} listed, {n_false} right ones listed")


def as_names(roles: np.ndarray) -> KnownHits:
    """Return hits with these roles by their names, all of one folder; their ids are the rows."""
    n = len(roles)
    return KnownHits(
        np.arange(n), roles, np.full(n, RoleSource.NAME), np.full(n, CLEAR_NAME),
        ("",) * n, (None,) * n, (None,) * n, np.zeros(n, bool),
    )  # fmt: skip


def print_calibration(name: str, pairs: np.ndarray) -> None:
    """Print the mean stated probability and the share of right roles in each bin."""
    parts = []
    for low, high in BINS:
        inside = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
        if len(inside):
            parts.append(f"{inside[:, 0].mean():.2f}/{inside[:, 1].mean():.2f}")
    print(f"calibration {name:10} stated/right  " + "  ".join(parts))


def print_cost(sources: list[Library]) -> None:
    """Print the processor time of an estimate, a tenth or four fifths of the hits known."""
    parts = [library.sounds for library in sources]
    strokes, acoustic, prior = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("strokes", "acoustic", "prior")
    )
    rng = np.random.default_rng(0)
    for n in (1_000, 10_000, 100_000):
        rows = rng.integers(0, len(prior), n)
        sounds = Sounds(strokes[rows], acoustic[rows], prior[rows])
        for share in (0.1, 0.8):
            known = rng.permutation(np.flatnonzero(rng.random(n) < share))
            roles = prior[rows[known]].argmax(axis=1)
            start = time.process_time()
            process = fit_process(sounds, Examples(known, roles, np.full(len(known), CERTAIN)))
            process.probabilities()
            process.left_out()
            print(f"{n:6} hits, {share:.0%} known: {time.process_time() - start:.2f} s")


if __name__ == "__main__":
    sys.exit(main())
