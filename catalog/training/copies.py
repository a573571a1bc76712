"""Fit the judge of copies anew: `python -m catalog.training.copies LABELS_CSV FOLDER [...]`.

Tables and folders come in pairs, see `catalog.training.examples`. Pairs of files that are
known to be one recording are read from a `near_duplicates.csv` (path_a, path_b) beside a table.
Thresholds are taken on drums left out of the fit, on strokes as they were recorded: half the false
answers that are allowed.
"""

from __future__ import annotations

import csv
import itertools
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from catalog.matching.candidates import SPACE_FILE, CandidateSpace
from catalog.matching.classifier import CLASSIFIER_FILE, BoostedTrees, Classifier
from catalog.training.examples import Label, read_labels
from catalog.training.judging import (
    FALSE_SHARE,
    UNSURE_SHARE,
    fit_space,
    fit_trees,
    limit_passed_by,
    pair_weights,
    unseen_logits,
)
from catalog.training.pairs import PairTable, make_pairs


def main(arguments: Sequence[str]) -> int:
    """Fit both files beside the code that reads them.

    Parameters
    ----------
    arguments : sequence of str, pairs of a table of labels and its folder

    Returns
    -------
    int, exit status
    """
    if not arguments or len(arguments) % 2:
        print(__doc__, file=sys.stderr)
        return 2
    paths = [Path(argument) for argument in arguments]
    tables = list(zip(paths[::2], paths[1::2], strict=True))
    labels = [label for pair in tables for label in read_labels(*pair)]
    is_one = known_pairs(*tables)
    table = make_pairs(drums_of(labels), is_one=is_one, on_drum=lambda d: print(d, file=sys.stderr))
    trees, copy, unsure = fit_judge(table)
    Classifier(trees, copy, unsure).save(CLASSIFIER_FILE)
    space_of(table).save(SPACE_FILE)
    return 0


def known_pairs(*tables: tuple[Path, Path]) -> Callable[[Path, Path], bool]:
    """Tell pairs of files that are known to be one recording.

    Parameters
    ----------
    *tables : tuple of a table of labels and its folder

    Returns
    -------
    callable, takes two paths
    """
    known = set()
    for labels, folder in tables:
        beside = labels.with_name("near_duplicates.csv")
        if beside.is_file():
            with beside.open(newline="", encoding="utf-8") as file:
                for row in csv.DictReader(file):
                    known.add(frozenset((folder / row["path_a"], folder / row["path_b"])))
    return lambda a, b: frozenset((a, b)) in known


def drums_of(labels: Sequence[Label]) -> dict[str, list[Path]]:
    """Group files by drum and microphone, named "source|kit|instrument|microphone".

    Parameters
    ----------
    labels : sequence of Label

    Returns
    -------
    dict of name to paths
    """
    drums: dict[str, list[Path]] = {}
    for one in labels:
        name = "|".join((one.source, one.kit, one.instrument, one.microphone))
        if not one.has_siblings:  # strokes of one name are different drums
            name += f"|{one.path.stem}"
        drums.setdefault(name, []).append(one.path)
    return drums


def without_microphone(drum: str) -> str:
    """Name a drum whatever the microphone: it is left out of a fit as a whole."""
    return "|".join(drum.split("|")[:3])


def fit_judge(table: PairTable, *, seed: int = 0) -> tuple[BoostedTrees, float, float]:
    """Fit the trees on all pairs, and the thresholds on drums that a fit did not see.

    Parameters
    ----------
    table : PairTable
    seed : int, of the folds

    Returns
    -------
    tuple of BoostedTrees, the logit of a copy, and the logit from which it may be one
    """
    evidence, is_copy = np.array(table.evidence), np.array(table.is_copy)
    is_other = ~is_copy & ~np.array(table.is_dull)
    drums = np.array([without_microphone(drum) for drum in table.drum])
    logits = unseen_logits(evidence, is_copy, drums, seed=seed)
    copy = limit_passed_by(logits[is_other], FALSE_SHARE)
    unsure = limit_passed_by(logits[is_other], UNSURE_SHARE)
    print_unseen(table, logits, copy, unsure)
    return fit_trees(evidence, is_copy, pair_weights(is_copy, drums)), copy, unsure


def print_unseen(table: PairTable, logits: np.ndarray, copy: float, unsure: float) -> None:
    """Print what is found and what passes on drums that were not seen.

    Parameters
    ----------
    table : PairTable
    logits : np.ndarray, shape (n,)
    copy, unsure : float, thresholds
    """
    is_copy, edits = np.array(table.is_copy), np.array(table.edits)
    is_dull = np.array(table.is_dull)
    for heading, part in (("as recorded", ~is_dull), ("made dull", is_dull)):
        same, other = part & is_copy, part & ~is_copy
        print(f"{heading}: {same.sum()} edited copies, {other.sum()} pairs of other strokes")
        for name, limit in (("copy", copy), ("at least not sure", unsure)):
            found, false = (logits[same] >= limit).mean(), (logits[other] >= limit).mean()
            print(f"{name}: logit {limit:.2f}, found {found:.4f}, other strokes {false:.5f}")
    names = sorted(set(itertools.chain(*(e.split(" + ") for e in edits[is_copy]))))
    for name in names:
        mine = is_copy & ~is_dull & np.array([name in one.split(" + ") for one in edits])
        print(f"  {name:22} {mine.sum():5} {(logits[mine] >= copy).mean():.3f}")


def space_of(table: PairTable) -> CandidateSpace:
    """Fit the space of candidates on the embeddings of edited copies.

    Parameters
    ----------
    table : PairTable

    Returns
    -------
    CandidateSpace
    """
    both = [embeddings for embeddings in table.embeddings if embeddings is not None]
    originals, edited = (np.stack([p[side] for p in both]).astype(np.float32) for side in (0, 1))
    embeddings, owner = np.unique(originals, axis=0, return_inverse=True)
    return fit_space(embeddings, originals, edited, owner.ravel())


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
