"""How many edited copies are found, and how near other strokes come: `copies.py FOLDER`.

Makes the edits itself from hits drawn from FOLDER, alone and in pairs. A copy is found when it is
among the candidates of its original within the whole folder and is then judged a copy. Every pair
of strokes of one drum through one microphone (by the names, as a scan reads them) is judged too.
Copies that FOLDER itself holds count as false pairs: read the list of the highest ones.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from catalog import Catalog
from catalog.errors import CatalogError
from catalog.matching.candidates import N_NEIGHBORS, project_embeddings
from catalog.matching.classifier import load_classifier
from catalog.matching.verdict import Classification, classify_pair
from catalog.matching.views import prepare_views
from catalog.models import Hit, Verdict
from catalog.training.edits import EDITS, Edit, applies, apply_edits, draw_pair
from catalog.training.pairs import picture_of_audio

N_PAIRS = 8  # pairs of edits drawn for each hit
MOST_LOGIT = 25.0  # what answers that need no judge are shown as


class Table:
    """Answers by name."""

    def __init__(self) -> None:
        self.rows: dict[str, list[tuple[bool, str, float]]] = defaultdict(list)

    def add(self, name: str, near: bool, judged: Classification) -> None:
        self.rows[name].append((near, judged.verdict, judged.logit))

    def print(self) -> None:
        for name, rows in self.rows.items():
            near = np.array([row[0] for row in rows])
            copy = np.array([row[1] == Verdict.COPY for row in rows])
            unsure = np.array([row[1] == Verdict.UNSURE for row in rows])
            logits = np.clip([row[2] for row in rows], -MOST_LOGIT, MOST_LOGIT)
            low, mid = np.percentile(logits, [1, 50])
            print(
                f"{name:24} n {len(rows):5}  found {(near & copy).mean():.4f}"
                f"  judged a copy {copy.mean():.4f}  not sure {unsure.mean():.4f}"
                f"  candidates {near.mean():.4f}  logit 1 %: {low:.1f}, 50 %: {mid:.1f}"
            )


def is_near(points: np.ndarray, row: int, point: np.ndarray) -> bool:
    """Whether an edited hit would be a candidate of its original, as either's neighbour."""
    far = float(np.linalg.norm(points[row] - point))
    nearer = (np.linalg.norm(points - point, axis=1) < far).sum()
    around = (np.linalg.norm(points - points[row], axis=1) < far).sum() - 1
    return far <= 1.0 and min(nearer, around) < N_NEIGHBORS


def measure_edits(
    cat: Catalog, hits: list[Hit], points: np.ndarray, rows: np.ndarray, seed: int
) -> None:
    """Judge each drawn hit against its edits."""
    single, double, kinds = Table(), Table(), Table()
    for row in rows:
        audio, rng = cat.audio(hits[row].id), np.random.default_rng([seed, int(row)])
        original = prepare_views(audio)
        drawn: list[tuple[Edit, ...]] = [(edit,) for edit in EDITS if applies(edit, audio)]
        drawn += [draw_pair(audio, rng) for _ in range(N_PAIRS)]
        for edits in drawn:
            try:
                edited = apply_edits(audio, edits, rng=rng)
                judged = classify_pair(original, prepare_views(edited))
                point = project_embeddings(picture_of_audio(edited)[None].astype(np.float32))[0]
                near = is_near(points, int(row), point)
            except CatalogError as err:
                print(f"  nothing left: {hits[row].name}, {edits[0].name}: {err}")
                judged, near = Classification(Verdict.OTHER, 0.0, -np.inf), False
            if len(edits) == 1:
                single.add(edits[0].name, near, judged)
                kinds.add(f"all {edits[0].kind}", near, judged)
            else:
                for edit in edits:
                    double.add(f"{edit.name} + another", near, judged)
                kinds.add("all pairs of edits", near, judged)
    for table in (single, double, kinds):
        print()
        table.print()


def measure_strokes(cat: Catalog, hits: list[Hit], root: Path) -> None:
    """Judge all strokes of one drum through one microphone."""
    drums: dict[tuple[str, ...], list[Hit]] = defaultdict(list)
    for hit in hits:
        if hit.drum:
            drums[hit.session, hit.drum, hit.microphone].append(hit)
    rows: list[tuple[Classification, Hit, Hit]] = []
    for strokes in drums.values():
        ready = (
            [(hit, prepare_views(cat.audio(hit.id))) for hit in strokes] if len(strokes) > 1 else []
        )
        for (a, first), (b, second) in itertools.combinations(ready, 2):
            if first is not None and second is not None:
                rows.append((classify_pair(first, second), a, b))
    logits = np.array([np.clip(row[0].logit, -MOST_LOGIT, MOST_LOGIT) for row in rows] or [0.0])
    false, unsure = (
        sum(row[0].verdict == verdict for row in rows) for verdict in (Verdict.COPY, Verdict.UNSURE)
    )
    told = ", ".join(f"{q:g} %: {np.percentile(logits, q):.1f}" for q in (50, 90, 99, 99.9, 100))
    print(f"\npairs of other strokes: {len(rows)}, copies {false}, not sure {unsure}; logit {told}")
    for judged, a, b in sorted(rows, key=lambda row: -row[0].logit)[:10]:
        names = " | ".join(str(hit.path.relative_to(root)) for hit in (a, b))
        print(f"  {judged.verdict:8} {judged.logit:6.1f}: {names}")


def measure_groups(cat: Catalog, hits: dict[int, Hit], root: Path) -> None:
    """Group the folder as it is, and list groups of which the names tell different drums."""
    groups = cat.copies()
    mixed = 0
    for group in groups:
        members = [hits[i] for i in (group.keep, *group.others)]
        if len({hit.drum.casefold() for hit in members}) > 1:
            mixed += 1
            print("  mixed names: " + " | ".join(str(h.path.relative_to(root)) for h in members))
    print(f"groups {len(groups)}, with names of different drums {mixed}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hits", type=int, default=150, help="drawn for the edits")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    begin = time.perf_counter()
    classifier = load_classifier()
    print(f"copy from logit {classifier.copy_logit:.2f}, unsure from {classifier.unsure_logit:.2f}")
    with tempfile.TemporaryDirectory() as scratch, Catalog.open(Path(scratch) / "x.sqlite") as cat:
        cat.scan([args.folder])
        hits = cat.hits()
        points = project_embeddings(cat.context.store.hits.embeddings([hit.id for hit in hits]))
        drawn = np.random.default_rng(args.seed).permutation(len(hits))[: args.hits]
        measure_edits(cat, hits, points, drawn, args.seed)
        measure_strokes(cat, hits, args.folder)
        measure_groups(cat, {hit.id: hit for hit in hits}, args.folder)
    print(f"{time.perf_counter() - begin:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
