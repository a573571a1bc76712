"""How often a role stated with confidence is right in sets that had no part in the fit.

    python -m tests.bench.strangers LABELS_CSV FOLDER [LABELS_CSV FOLDER ...]

Role "other" counts as any other: a struck glass that is called a cowbell is wrong. By sound alone,
with the shipped model.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from catalog.library.metadata.role_model import load_role_model
from catalog.models import ROLES, Role
from catalog.training.examples import measure_examples
from catalog.training.labels import column, read_tables

CONFIDENT = 0.95
BINS = (0.0, 0.4, 0.6, 0.8, 0.9, CONFIDENT, 1.01)


def print_strangers(tables: Sequence[tuple[Path, Path]]) -> None:
    """Print stated and observed shares of each source, and of all named hits."""
    examples = measure_examples(read_tables(tables), n_variations=0)
    chances = load_role_model().probabilities(examples.recorded)
    stated, roles = chances.max(axis=1), column(examples.labels, "role")
    is_right = np.array(ROLES)[chances.argmax(axis=1)] == roles
    sources = column(examples.labels, "source")
    print(f"confidence of roles by sound alone; right of those stated at {CONFIDENT} or more:")
    for source in (*np.unique(sources), "all"):
        own = (sources == source) | (source == "all")
        sure = own & (stated >= CONFIDENT)
        print(
            f"  {source:26s} {is_right[sure].sum():4d} of {sure.sum():4d}   mean stated"
            f" {stated[own].mean():.2f}   right {is_right[own].mean():.2f}   all {own.sum():4d}"
        )
    named = roles != Role.OTHER
    for low, high in pairwise(BINS):
        inside = named & (stated >= low) & (stated < high)
        if inside.any():
            print(
                f"  stated {stated[inside].mean():.2f}   right {is_right[inside].mean():.2f}"
                f"   named hits {inside.sum():4d}"
            )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("paths", nargs="+", type=Path, metavar="LABELS_CSV FOLDER")
    args = parser.parse_args()
    print_strangers(list(zip(args.paths[::2], args.paths[1::2], strict=True)))


if __name__ == "__main__":
    main()
