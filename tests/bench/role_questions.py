"""Measure which questions about roles are worth asking: `role_questions.py LABELS_CSV FOLDER`.

Each source is a library of its own without any known role; a person answers one question after the
other with the true role of the hit that is asked. The curve is the share of all hits with the right
role, "other" included, over the number of answers in percent of the hits. Compared are the order of
the product, the lowest confidence first, and chance (3 draws), each with one hit an answer and with
the tight group around it, to which the answer is given as well; last is the share of hits that
a group gave a wrong role.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from catalog.search.roles.classification import Examples, RoleProcess, fit_process
from catalog.search.roles.estimates import estimated_probabilities
from catalog.search.roles.known import CERTAIN
from catalog.search.roles.questions import GROUP_RADIUS, choose, impurity
from catalog.training.examples import N_VARIATIONS, measure_examples
from catalog.training.labels import read_labels
from tests.bench.ear import without_near_duplicates
from tests.bench.teach import Library, drum_groups, libraries

ASKED = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2)  # answers, of the hits
N_DRAWS = 3  # of the order by chance


def next_hit(order: str, process: RoleProcess, chances: np.ndarray, is_open: np.ndarray) -> int:
    """Return the row that an order asks about next; `order` may end in the seed of the chance."""
    rows = np.flatnonzero(is_open)
    if order == "product":
        choices = choose(process, np.where(is_open, impurity(chances), 0.0), 1)
        return choices[0].row if choices else int(rows[0])
    if order == "lowest confidence":
        return int(rows[chances[rows].max(axis=1).argmin()])
    seed = int(order.rpartition(" ")[2])
    return int(np.random.default_rng([seed, len(rows)]).choice(rows))


def group_of(library: Library, row: int, is_open: np.ndarray) -> np.ndarray:
    """Return the open rows that are near a hit, and the hit itself."""
    strokes = library.sounds.strokes
    distance = np.sqrt(np.square(strokes - strokes[row]).sum(axis=1))
    return np.flatnonzero((distance <= GROUP_RADIUS) & is_open | (np.arange(len(strokes)) == row))


def curve(library: Library, order: str, *, by_group: bool) -> tuple[list[float], int, int]:
    """Return the share of right roles after each number of answers, and wrong and all known."""
    n_hits, groups = len(library.roles), drum_groups(library)
    known = np.full(n_hits, -1)
    steps = [round(share * n_hits) for share in ASKED]
    right: list[float] = []
    for _ in range(max(steps) + 1):
        rows = np.flatnonzero(known >= 0)
        examples = Examples(rows, known[rows], np.full(len(rows), CERTAIN))
        process = fit_process(library.sounds, examples)
        chances = estimated_probabilities(process, groups)
        roles = np.where(known >= 0, known, chances.argmax(axis=1))
        right.append(float((roles == library.roles).mean()))
        is_open = known < 0
        if not is_open.any():
            break
        row = next_hit(order, process, chances, is_open)
        known[group_of(library, row, is_open) if by_group else [row]] = library.roles[row]
    right += right[-1:] * (max(steps) + 1 - len(right))
    wrong = int(((known >= 0) & (known != library.roles)).sum())
    return [right[step] for step in steps], wrong, int((known >= 0).sum())


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("labels", type=Path, metavar="LABELS_CSV")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--shipped", action="store_true", help="use the shipped arrays")
    args = parser.parse_args()
    labels = read_labels(args.labels, args.folder)
    labels = without_near_duplicates(labels, args.labels, args.folder)
    measured = measure_examples(labels, n_variations=0 if args.shipped else N_VARIATIONS)
    sources = list(libraries(measured, use_shipped=args.shipped))
    weights = np.array([len(library.roles) for library in sources], float)
    print(f"answers in % of the hits: {', '.join(f'{share:.0%}' for share in ASKED)}")
    chance = [f"chance {seed}" for seed in range(N_DRAWS)]
    for by_group in (False, True):
        for name, orders in {
            "product": ["product"], "lowest confidence": ["lowest confidence"], "chance": chance,
        }.items():  # fmt: skip
            print_curve(sources, weights, name, orders, by_group=by_group)
    return 0


def print_curve(
    sources: list[Library], weights: np.ndarray, name: str, orders: list[str], *, by_group: bool
) -> None:
    total: dict[str, list[np.ndarray]] = defaultdict(list)
    wrong = known = 0
    for order in orders:
        results = [curve(library, order, by_group=by_group) for library in sources]
        shares = np.array([result[0] for result in results])
        total[name].append(np.average(shares, axis=0, weights=weights))
        wrong += sum(result[1] for result in results)
        known += sum(result[2] for result in results)
    figures = "  ".join(f"{value:.3f}" for value in np.mean(total[name], axis=0))
    unit = f"groups, {wrong} of {known} given wrong" if by_group else "single hits"
    print(f"{name:18} {figures}  {unit}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
