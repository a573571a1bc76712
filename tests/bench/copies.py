"""Measure how many edited copies are found and how many other strokes pass: `copies.py FOLDER`.

Edits are applied to hits drawn from FOLDER, alone and in pairs. A copy counts as found when it is
among the candidates of its original within the whole folder and the pair is classified as a copy.
All pairs of strokes of one drum through one microphone (by name, as a scan reads it) are
classified too. Copies that FOLDER itself contains count as false pairs: check the list of those
with the highest logits.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections import Counter, defaultdict
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog import Catalog
from catalog.errors import CatalogError
from catalog.matching.candidates import N_NEIGHBORS, project_embeddings
from catalog.matching.verdict import DISSIMILAR, Classification, classify_pair, load_classifier
from catalog.matching.views import ChannelViews, prepare_views
from catalog.models import Hit, Verdict
from catalog.training.edits import EDITS, Edit, applies, apply_edits, draw_pair
from catalog.training.pairs import embed_audio
from tests.bench.ringing import draw_body

N_EDIT_PAIRS = 8  # drawn for each hit
MAX_LOGIT = 25.0  # shown for results that need no classifier
N_LISTED = 10  # pairs of other strokes with the highest logits


@dataclass(frozen=True)
class Result:
    """Whether an edited copy is a candidate of its original, and how the pair is classified."""

    is_candidate: bool
    classification: Classification


def clipped_logits(classifications: list[Classification]) -> np.ndarray:
    return np.clip([c.logit for c in classifications], -MAX_LOGIT, MAX_LOGIT)


def print_results(results: dict[str, list[Result]]) -> None:
    print()
    for name, rows in results.items():
        is_candidate = np.array([row.is_candidate for row in rows])
        verdicts = np.array([row.classification.verdict for row in rows])
        is_copy, is_unsure = verdicts == Verdict.COPY, verdicts == Verdict.UNSURE
        low, middle = np.percentile(clipped_logits([row.classification for row in rows]), [1, 50])
        print(
            f"{name:24} n {len(rows):5}  found {(is_candidate & is_copy).mean():.4f}"
            f"  copy {is_copy.mean():.4f}  unsure {is_unsure.mean():.4f}"
            f"  candidates {is_candidate.mean():.4f}  logit 1 %: {low:.1f}, 50 %: {middle:.1f}"
        )


def is_candidate(points: np.ndarray, row: int, point: np.ndarray) -> bool:
    """Return whether an edited hit would be a neighbor of its original, or the reverse."""
    distance = float(np.linalg.norm(points[row] - point))
    n_nearer_edit = (np.linalg.norm(points - point, axis=1) < distance).sum()
    n_nearer_original = (np.linalg.norm(points - points[row], axis=1) < distance).sum() - 1
    return distance <= 1.0 and min(n_nearer_edit, n_nearer_original) < N_NEIGHBORS


def measure_edits(cat: Catalog, n_hits: int, seed: int) -> None:
    """Compare drawn hits with edits of themselves."""
    hits = cat.hits()
    points = project_embeddings(cat.context.store.hits.embeddings([hit.id for hit in hits]))
    single, double, kinds = (defaultdict(list) for _ in range(3))
    for row in np.random.default_rng(seed).permutation(len(hits))[:n_hits].tolist():
        audio, rng = cat.audio(hits[row].id), np.random.default_rng([seed, row])
        original = prepare_views(audio)
        drawn: list[tuple[Edit, ...]] = [(edit,) for edit in EDITS if applies(edit, audio)]
        drawn += [draw_pair(audio, rng) for _ in range(N_EDIT_PAIRS)]
        for edits in drawn:
            try:
                edited = apply_edits(audio, edits, rng=rng)
                classification = classify_pair(original, prepare_views(edited))
                point = project_embeddings(embed_audio(edited)[None].astype(np.float32))[0]
                result = Result(is_candidate(points, row, point), classification)
            except CatalogError as err:
                print(f"  nothing left: {hits[row].name}, {edits[0].name}: {err}")
                result = Result(False, DISSIMILAR)
            if len(edits) == 1:
                single[edits[0].name].append(result)
                kinds[f"all {edits[0].kind}"].append(result)
            else:
                for edit in edits:
                    double[f"{edit.name} + another"].append(result)
                kinds["all pairs of edits"].append(result)
    for results in (single, double, kinds):
        print_results(results)


def prepare_strokes(cat: Catalog, strokes: list[Hit]) -> list[tuple[Hit, ChannelViews]]:
    """Prepare the strokes of one drum; unreadable files are skipped."""
    prepared = []
    for hit in strokes:
        try:
            prepared.append((hit, prepare_views(cat.audio(hit.id))))
        except CatalogError as err:
            print(f"  skipped: {hit.name}: {err}")
    return prepared


def measure_strokes(cat: Catalog, root: Path) -> None:
    """Classify all pairs of strokes of one drum through one microphone."""
    drums: dict[tuple[str, ...], list[Hit]] = defaultdict(list)
    for hit in cat.hits():
        if hit.drum:
            drums[hit.session, hit.drum, hit.microphone].append(hit)
    rows = [
        (classify_pair(first, second), a, b)
        for strokes in drums.values()
        if len(strokes) > 1
        for (a, first), (b, second) in itertools.combinations(prepare_strokes(cat, strokes), 2)
    ]
    if not rows:
        print("\nno two strokes of one drum")
        return
    verdicts = [row[0].verdict for row in rows]
    n_copies, n_unsure = (verdicts.count(v) for v in (Verdict.COPY, Verdict.UNSURE))
    logits = clipped_logits([row[0] for row in rows])
    quantiles = ", ".join(f"{q:g} %: {np.percentile(logits, q):.1f}" for q in (50, 90, 99, 100))
    print(
        f"\npairs of other strokes: {len(rows)}, copies {n_copies}, unsure {n_unsure};"
        f" logit {quantiles}"
    )
    for classification, a, b in sorted(rows, key=lambda row: -row[0].logit)[:N_LISTED]:
        names = " | ".join(str(hit.path.relative_to(root)) for hit in (a, b))
        print(f"  {classification.verdict:8} {classification.logit:6.1f}: {names}")


def measure_made_strokes(n_bodies: int, seed: int) -> None:
    """Classify strokes of made glasses, bells, bars, cowbells and drums, and edits of them."""
    strokes, edited = [], []
    for number in range(n_bodies):
        rng = np.random.default_rng([seed, number])
        body = draw_body(rng)
        recordings = [body.strike(rng) for _ in range(3)]
        prepared = list(map(prepare_views, recordings))
        strokes += list(itertools.starmap(classify_pair, itertools.combinations(prepared, 2)))
        for edits in (draw_pair(recordings[0], rng), draw_pair(recordings[0], rng)[:1]):
            with suppress(CatalogError):
                copy = prepare_views(apply_edits(recordings[0], edits, rng=rng))
                edited.append(classify_pair(prepared[0], copy))
    for what, found in (("strokes of made bodies", strokes), ("edits of them", edited)):
        counts = Counter(str(result.verdict) for result in found)
        print(f"{what}: {len(found)}, {dict(counts)}")


def measure_groups(cat: Catalog, root: Path) -> None:
    """Group the folder as it is, and list the groups with names of different drums."""
    hits = {hit.id: hit for hit in cat.hits()}
    groups = cat.copies()
    n_mixed = 0
    for group in groups:
        members = [hits[i] for i in group.members]
        if len({hit.drum.casefold() for hit in members}) > 1:
            n_mixed += 1
            names = " | ".join(str(hit.path.relative_to(root)) for hit in members)
            print(f"  mixed names: {names}")
    print(f"groups {len(groups)}, with names of different drums {n_mixed}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--hits", type=int, default=150, help="drawn for the edits")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--bodies", type=int, default=0, help="made glasses, bells, bars, ...")
    args = parser.parse_args()
    start = time.perf_counter()
    classifier = load_classifier()
    print(f"copy from logit {classifier.copy_logit:.2f}, unsure from {classifier.unsure_logit:.2f}")
    with tempfile.TemporaryDirectory() as scratch, Catalog.open(Path(scratch) / "x.sqlite") as cat:
        cat.scan([args.folder])
        measure_edits(cat, args.hits, args.seed)
        measure_strokes(cat, args.folder)
        measure_made_strokes(args.bodies, args.seed)
        measure_groups(cat, args.folder)
    print(f"{time.perf_counter() - start:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
