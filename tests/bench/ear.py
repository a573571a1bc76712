"""Measure how well similarity and roles agree with labels: `ear.py LABELS_CSV FOLDER`.

The results stand beside a baseline: mean and deviation of 20 MFCCs by librosa, standardized,
Euclidean distance. Everything fitted is fitted anew with each source held out in turn; with
`--shipped` the shipped arrays are used, which suits collections that had no part in the fit.
Names, folders and sessions are hidden. Rows of `duplicate_of` are skipped, and so is one file of
each pair in a `near_duplicates.csv` beside the labels.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.features import descriptors, production
from catalog.features.embedding import spectrogram, timbre
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.library.metadata.role_model import load_role_model
from catalog.models import ROLES, Role
from catalog.search.spaces import load_projection, make_spaces, similar_distances, stroke_distances
from catalog.training.examples import N_VARIATIONS, Examples, measure_examples
from catalog.training.labels import Label, column, drum_names, read_known_copies, read_labels
from catalog.training.roles import fit_calibrated
from catalog.training.spaces import fit_projection

MERGED = {
    "hat_closed": "hat", "hat_pedal": "hat", "hat_open": "hat_open", "crash": "crash",
    "splash": "crash", "china": "crash", "ride": "ride", "ride_bell": "bell", "cowbell": "bell",
    "tambourine": "shaker", "shaker": "shaker", "conga_bongo": "hand", "timbale_agogo": "hand",
}  # fmt: skip
CONFIDENCE_BINS = ((0, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 1.01))
N_TIMED, N_RUNS = 60, 3  # hits that are timed, and runs of which the fastest counts


@dataclass(frozen=True)
class Predictions:
    """Distances, shape (n, n), and role probabilities, shape (n, len(ROLES)), of n hits."""

    strokes: np.ndarray
    similar: np.ndarray
    roles: np.ndarray


def average_precision(is_right: np.ndarray) -> float:
    """Average precision of one ranked list of answers."""
    return float((np.cumsum(is_right) / (1 + np.arange(len(is_right))))[is_right].mean())


def ranked_scores(
    distance: np.ndarray, is_right: np.ndarray, is_allowed: np.ndarray
) -> list[list[float]]:
    """Average precision, first answer and first five, of each row that has a right answer."""
    scores = []
    for row in range(len(distance)):
        order = np.argsort(np.where(is_allowed[row], distance[row], np.inf), kind="stable")
        ranked = is_right[row][order[: is_allowed[row].sum()]]
        if ranked.any():
            scores.append([average_precision(ranked), float(ranked[0]), float(ranked[:5].mean())])
    return scores


def mfcc_distances(paths: Sequence[Path]) -> np.ndarray:
    """Distances of the baseline, shape (n, n)."""
    import librosa
    import soundfile

    rows = []
    for path in paths:
        y, sr = soundfile.read(path, dtype="float32", always_2d=True)
        y = librosa.resample(y.mean(axis=1), orig_sr=sr, target_sr=22_050)
        mfcc = librosa.feature.mfcc(y=np.pad(y, (0, max(0, 2048 - len(y)))), sr=22_050, n_mfcc=20)
        rows.append(np.concatenate([mfcc.mean(axis=1), mfcc.std(axis=1)]))
    table = np.stack(rows)
    table = (table - table.mean(axis=0)) / (table.std(axis=0) + 1e-9)
    return np.linalg.norm(table[:, None] - table[None], axis=2)


def without_near_duplicates(labels: list[Label], table: Path, folder: Path) -> list[Label]:
    """Skip the second file of each pair that is one recording."""
    skipped = {second for _, second in read_known_copies([(table, folder)])}
    return [label for label in labels if label.path not in skipped]


def predict(examples: Examples, *, use_shipped: bool) -> Predictions:
    """Predict distances and roles, each source by arrays fitted without it unless shipped."""
    recorded, drums = examples.recorded, drum_names(examples.labels)
    sources = column(examples.labels, "source")
    if use_shipped:
        roles = load_role_model().probabilities(recorded)
        projections = dict.fromkeys(np.unique(sources), load_projection())
    else:
        calibrated = fit_calibrated(examples)
        roles = np.maximum(calibrated.held_out, 1e-30) ** (1 / calibrated.model.temperature)
        roles /= roles.sum(axis=1, keepdims=True)
        projections = {}
        for source in np.unique(sources):
            seen = sources != source
            projections[source] = fit_projection(recorded[seen], drums[seen], roles[seen])
    n = len(examples.labels)
    strokes, similar = np.zeros((n, n)), np.zeros((n, n))
    for source, projection in projections.items():
        spaces = make_spaces(np.arange(n), recorded, roles, projection=projection)
        for row in np.flatnonzero(sources == source):
            strokes[row] = stroke_distances(spaces, row)
            similar[row] = similar_distances(spaces, row)
    return Predictions(strokes, similar, roles)


def print_ranks(name: str, ours: list[list[float]], baseline: list[list[float]]) -> None:
    for system, scores in (("ours", ours), ("MFCC", baseline)):
        mean = np.mean(scores, axis=0) if scores else np.full(3, np.nan)
        figures = f"mAP {mean[0]:.3f}  first {mean[1]:.3f}  five {mean[2]:.3f}"
        print(f"{name:22} {system}  {figures}  n {len(scores)}")


def print_roles(labels: Sequence[Label], roles: np.ndarray) -> None:
    """Print accuracy over all and over merged classes, calibration, and frequent confusions."""
    truth = column(labels, "role")
    is_named = truth != Role.OTHER
    predicted = np.array(ROLES)[roles.argmax(axis=1)]
    merge = np.vectorize(lambda role: MERGED.get(role, role))
    is_right = predicted == truth
    merged_accuracy = np.mean((merge(predicted) == merge(truth))[is_named])
    print(f"role right, all roles  {is_right[is_named].mean():.3f}  n {is_named.sum()}")
    print(f"role right, merged     {merged_accuracy:.3f}")
    confidence = roles.max(axis=1)
    for low, high in CONFIDENCE_BINS:
        inside = is_named & (confidence >= low) & (confidence < high)
        if inside.any():
            stated, observed = confidence[inside].mean(), is_right[inside].mean()
            print(f"  stated {stated:.2f}  right {observed:.2f}  n {inside.sum()}")
    wrong = is_named & ~is_right
    confusions = Counter(zip(truth[wrong], predicted[wrong], strict=True))
    print("  " + ", ".join(f"{a} as {b} {n}" for (a, b), n in confusions.most_common(8)))


def measuring_steps(path: Path) -> dict[str, Callable[[], object]]:
    """Each step of measuring one hit as a function without arguments."""
    audio = decode_file(path)
    mono, sr = mix_to_mono(audio.samples), audio.sr
    stroke = find_stroke(mono, sr=sr)
    y = spectrogram.prepare_mono(mono, sr=sr, start=stroke.start)
    powers = spectrogram.frame_powers(y)
    low, long_powers = spectrogram.low_band(y), spectrogram.long_frame_powers(y)
    return {
        "decode": lambda: decode_file(path),
        "prepare": lambda: spectrogram.prepare_mono(mono, sr=sr, start=stroke.start),
        "spectrogram": lambda: spectrogram.band_spectrogram(spectrogram.frame_powers(y)),
        "low spectrogram": lambda: spectrogram.low_spectrogram(spectrogram.low_band(y)),
        "fine spectrum": lambda: spectrogram.fine_spectrum(spectrogram.long_frame_powers(y)),
        "timbre": lambda: timbre.measure_timbre(
            y, powers=powers, low=low, long_powers=long_powers
        ),
        "descriptors": lambda: descriptors.measure_descriptors(
            audio.samples, mono, sr=sr, stroke=stroke
        ),
        "production": lambda: production.measure_production(
            audio.samples, sr=sr, onset=stroke.onset
        ),
    }  # fmt: skip


def print_cost(labels: Sequence[Label]) -> None:
    """Print milliseconds per hit for each step, the fastest of some runs."""
    total: Counter[str] = Counter()
    timed = labels[:: max(1, len(labels) // N_TIMED)]
    for label in timed:
        for name, run in measuring_steps(label.path).items():
            times = []
            for _ in range(N_RUNS):
                start = time.perf_counter()
                run()
                times.append(time.perf_counter() - start)
            total[name] += min(times)
    for name, seconds in [*total.items(), ("all", total.total())]:
        print(f"cost  {name:15} {1000 * seconds / len(timed):6.2f} ms per hit")


def read_arguments(description: str) -> tuple[argparse.Namespace, list[Label]]:
    """Return the arguments of a bench on labelled recordings, and their labels."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("labels", type=Path, metavar="LABELS_CSV")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--shipped", action="store_true", help="use the shipped arrays")
    parser.add_argument("--variations", type=int, default=N_VARIATIONS, help="per hit, for the fit")
    args = parser.parse_args()
    labels = read_labels(args.labels, args.folder)
    labels = without_near_duplicates(labels, args.labels, args.folder)
    return args, labels


def main() -> int:
    args, labels = read_arguments(__doc__.splitlines()[0])
    examples = measure_examples(labels, n_variations=0 if args.shipped else args.variations)
    ours = predict(examples, use_shipped=args.shipped)
    baseline = mfcc_distances([label.path for label in labels])
    kit, role, source = (column(labels, name) for name in ("kit", "role", "source"))
    drum = drum_names(labels)[:, 1]
    is_other = ~np.eye(len(labels), dtype=bool)
    same_drum = (drum[:, None] == drum) & (drum != "")[:, None] & is_other
    scores = (ranked_scores(d, same_drum, is_other) for d in (ours.strokes, baseline))
    print_ranks("alternates", *scores)
    elsewhere = (kit[:, None] != kit) & (source[:, None] != source)
    same_role = (role[:, None] == role) & (role != Role.OTHER)[:, None] & elsewhere
    scores = (ranked_scores(d, same_role, elsewhere) for d in (ours.similar, baseline))
    print_ranks("same role elsewhere", *scores)
    print_roles(labels, ours.roles)
    print_cost(labels)
    return 0


if __name__ == "__main__":
    sys.exit(main())
