"""How well the judgements agree with labels: `python tests/bench/ear.py LABELS_CSV FOLDER`.

Prints ours beside a baseline (mean and deviation of 20 MFCCs by librosa, standardized, Euclidean).
Without `--shipped`, everything fitted is fitted anew with each source in turn left out; with it,
the shipped arrays judge, which is right for collections that had no part in fitting them.
Names, folders and sessions are hidden. Rows of `duplicate_of` are left out, and of each pair in
a `near_duplicates.csv` beside the labels one side is left out.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from catalog.library.metadata.role_model import load_role_model
from catalog.models import ROLES
from catalog.search.spaces import load_projection, make_spaces, similar_distances, stroke_distances
from catalog.training import examples as fit
from catalog.training import learn

MERGED = {
    "hat_closed": "hat", "hat_pedal": "hat", "hat_open": "hat_open", "crash": "crash",
    "splash": "crash", "china": "crash", "ride": "ride", "ride_bell": "bell", "cowbell": "bell",
    "tambourine": "shaker", "shaker": "shaker", "conga_bongo": "hand", "timbale_agogo": "hand",
}  # fmt: skip


def precision(right: np.ndarray) -> float:
    """Average precision of one ranked list of answers."""
    return float((np.cumsum(right) / (1 + np.arange(len(right))))[right].mean())


def ranked_scores(
    distance: np.ndarray, right: np.ndarray, allowed: np.ndarray
) -> list[list[float]]:
    """Average precision, first answer and first five, of each row that has a right answer."""
    scores = []
    for row in range(len(distance)):
        order = np.argsort(np.where(allowed[row], distance[row], np.inf), kind="stable")
        hits = right[row][order[: allowed[row].sum()]]
        if hits.any():
            scores.append([precision(hits), float(hits[0]), float(hits[:5].mean())])
    return scores


def mfcc_distance(paths: list[Path]) -> np.ndarray:
    """The baseline: standardized mean and deviation of 20 MFCCs, Euclidean."""
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


def without_near_duplicates(labels: list[fit.Label], table: Path, folder: Path) -> list[fit.Label]:
    """Leave out the second of each pair that is nearly one recording."""
    pairs = table.with_name("near_duplicates.csv")
    if not pairs.exists():
        return labels
    with pairs.open(newline="") as file:
        second = {folder / row[1] for row in list(csv.reader(file))[1:]}
    return [label for label in labels if label.path not in second]


def our_distances(examples: fit.Examples, shipped: bool) -> tuple[np.ndarray, ...]:
    """Stroke distances, alike distances and role probabilities, all held out unless shipped."""
    labels = examples.labels
    recorded = examples.embeddings[examples.is_recorded]
    sources = np.array([x.source for x in labels])
    n = len(labels)
    if shipped:
        roles = load_role_model().probabilities(recorded)
        metrics = {source: load_projection() for source in np.unique(sources)}
    else:
        fitter = lambda mask: fit.fit_roles(examples, mask)  # noqa: E731
        at_one = learn.held_out_probabilities(fitter, recorded, sources)
        named = np.array([x.role != "other" for x in labels])
        truth = np.array([x.role for x in labels])
        temperature = learn.fit_temperature(at_one[named], truth[named])
        roles = np.maximum(at_one, 1e-30) ** (1 / temperature)
        roles /= roles.sum(axis=1, keepdims=True)
        drums = fit.drum_names(labels)
        metrics = {
            s: learn.fit_metric(recorded[sources != s], drums[sources != s], roles[sources != s])
            for s in np.unique(sources)
        }
    strokes, alike = np.zeros((n, n)), np.zeros((n, n))
    for source, metric in metrics.items():
        spaces = make_spaces(np.arange(n), recorded, roles, projection=metric)
        for row in np.flatnonzero(sources == source):
            strokes[row], alike[row] = stroke_distances(spaces, row), similar_distances(spaces, row)
    return strokes, alike, roles


def print_ranks(name: str, ours: list[list[float]], base: list[list[float]]) -> None:
    """One line for ours and one for the baseline."""
    for who, scores in (("ours", ours), ("MFCC", base)):
        mean = np.mean(scores, axis=0)
        figures = f"mAP {mean[0]:.3f}  first {mean[1]:.3f}  five {mean[2]:.3f}"
        print(f"{name:22} {who}  {figures}  n {len(scores)}")


def print_roles(labels: tuple[fit.Label, ...], roles: np.ndarray) -> None:
    """Accuracy over all and over merged classes, a reliability table, the usual confusions."""
    truth = np.array([x.role for x in labels])
    named = truth != "other"
    said = np.array(ROLES)[roles.argmax(axis=1)]
    merge = np.vectorize(lambda role: MERGED.get(role, role))
    print(f"role right, all roles  {np.mean((said == truth)[named]):.3f}  n {named.sum()}")
    print(f"role right, merged     {np.mean((merge(said) == merge(truth))[named]):.3f}")
    sure = roles.max(axis=1)
    for low, high in ((0, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 1.01)):
        inside = named & (sure >= low) & (sure < high)
        if inside.any():
            right = (said == truth)[inside].mean()
            print(f"  said {sure[inside].mean():.2f}  right {right:.2f}  n {inside.sum()}")
    wrong = Counter(zip(truth[named & (said != truth)], said[named & (said != truth)], strict=True))
    print("  " + ", ".join(f"{a} as {b} {n}" for (a, b), n in wrong.most_common(8)))


def print_cost(labels: tuple[fit.Label, ...]) -> None:
    """Milliseconds a hit for each block, the fastest of three runs."""
    from catalog.audio.decode import decode_file
    from catalog.features import descriptors, production, spectrogram, timbre
    from catalog.features.onset import find_stroke
    from catalog.features.waveform import mix_to_mono

    total: Counter[str] = Counter()
    some = labels[:: max(1, len(labels) // 60)]
    for label in some:
        audio = decode_file(label.path)
        mono = mix_to_mono(audio.samples)
        stroke = find_stroke(mono, sr=audio.sr)
        y = spectrogram.prepare_mono(mono, sr=audio.sr, start=stroke.start)
        powers, _ = spectrogram.frame_powers(y)
        low, long_powers = spectrogram.low_band(y), spectrogram.long_frame_powers(y)
        blocks = {
            "decode": lambda: decode_file(label.path),  # noqa: B023
            "prepare": lambda: spectrogram.prepare_mono(mono, sr=audio.sr, start=stroke.start),  # noqa: B023
            "spectrogram": lambda: spectrogram.band_spectrogram(*spectrogram.frame_powers(y)),  # noqa: B023
            "low spectrogram": lambda: spectrogram.low_spectrogram(spectrogram.low_band(y)),  # noqa: B023
            "fine spectrum": lambda: spectrogram.fine_spectrum(spectrogram.long_frame_powers(y)),  # noqa: B023
            "timbre": lambda: timbre.measure_timbre(
                y, powers=powers, low=low, long_powers=long_powers  # noqa: B023
            ),
            "descriptors": lambda: descriptors.measure_descriptors(
                audio.samples, mono, sr=audio.sr, stroke=stroke  # noqa: B023
            ),
            "production": lambda: production.measure_production(
                audio.samples, sr=audio.sr, onset=stroke.onset  # noqa: B023
            ),
        }  # fmt: skip
        for name, run in blocks.items():
            times = []
            for _ in range(3):
                start = time.perf_counter()
                run()
                times.append(time.perf_counter() - start)
            total[name] += min(times)
    for name, seconds in total.items():
        print(f"cost  {name:14} {1000 * seconds / len(some):6.2f} ms a hit")
    print(f"cost  {'all':14} {1000 * total.total() / len(some):6.2f} ms a hit")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("labels", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--shipped", action="store_true", help="judge by the shipped arrays")
    parser.add_argument(
        "--variations", type=int, default=fit.N_VARIATIONS, help="a hit, when fitting"
    )
    args = parser.parse_args()
    labels = fit.read_labels(args.labels, args.folder)
    labels = without_near_duplicates(labels, args.labels, args.folder)
    examples = fit.measure_examples(labels, n_variations=0 if args.shipped else args.variations)
    strokes, alike, roles = our_distances(examples, args.shipped)
    base = mfcc_distance([x.path for x in labels])
    kit, role = (np.array([getattr(x, f) for x in labels]) for f in ("kit", "role"))
    source = np.array([x.source for x in labels])
    drum = fit.drum_names(labels)[:, 1]
    others = ~np.eye(len(labels), dtype=bool)
    same_drum = (drum[:, None] == drum) & (drum != "")[:, None] & others
    print_ranks("alternates", *(ranked_scores(d, same_drum, others) for d in (strokes, base)))
    elsewhere = (kit[:, None] != kit) & (source[:, None] != source)
    same_role = (role[:, None] == role) & (role != "other")[:, None] & elsewhere
    print_ranks(
        "same role elsewhere", *(ranked_scores(d, same_role, elsewhere) for d in (alike, base))
    )
    print_roles(examples.labels, roles)
    print_cost(examples.labels)
    return 0


if __name__ == "__main__":
    sys.exit(main())
