"""Fit the arrays that the package ships: `python -m catalog.training COMMAND TABLE FOLDER ...`.

Every command takes pairs of a table of labels and the folder where its paths begin; see
`catalog.training.labels` for the columns. It replaces the files beside the code that reads them
and prints how well held-out recordings are recognized.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from catalog.errors import CatalogError
from catalog.features.events.voices import MODEL_FILE as VOICES_FILE
from catalog.features.segmentation.likelihood.stroke_model import MODEL_FILE as STROKES_FILE
from catalog.library.metadata.role_model import MODEL_FILE, load_role_model
from catalog.matching.candidates import SPACE_FILE
from catalog.matching.verdict import CLASSIFIER_FILE
from catalog.search.drums.strength import STRENGTH_FILE
from catalog.search.spaces import SPACES_FILE
from catalog.training.copies import fit_classifier, fit_space, print_held_out
from catalog.training.examples import SEED, measure_examples
from catalog.training.labels import drum_names, group_strokes, read_known_copies, read_tables
from catalog.training.pairs import make_pairs
from catalog.training.roles import fit_calibrated, print_accuracy
from catalog.training.spaces import fit_projection
from catalog.training.strength import fit_strength_model, print_rank_correlations, read_layers
from catalog.training.takes.material import fold_sources, read_material
from catalog.training.takes.strokes import N_TAKES, fit_stroke_model, make_rises, print_strokes
from catalog.training.takes.voices import (
    fit_voice_model,
    join_sounds,
    measure_sounds,
    print_voices,
)

Tables = Sequence[tuple[Path, Path]]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command, by default that of the process, and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m catalog.training", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, (run, summary) in COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary)
        command.add_argument("paths", nargs="+", type=Path, metavar="TABLE FOLDER")
        if run in (fit_strokes, fit_voices):
            command.add_argument("--voices", type=Path, help="folder with recordings of speech")
        if run is fit_roles:
            command.add_argument(
                "--strangers", nargs="+", type=Path, default=[], metavar="TABLE FOLDER",
                help="hits that only lower the stated confidence; the model is not fitted on them",
            )  # fmt: skip
        command.set_defaults(run=run)
    args = parser.parse_args(arguments)
    strangers = getattr(args, "strangers", [])
    if len(args.paths) % 2 or len(strangers) % 2:
        parser.error("each table of labels needs a folder after it")
    run = args.run
    if "voices" in args:
        run = partial(run, voices=args.voices)
    if "strangers" in args:
        run = partial(run, strangers=list(zip(strangers[::2], strangers[1::2], strict=True)))
    try:
        run(list(zip(args.paths[::2], args.paths[1::2], strict=True)))
    except CatalogError as err:
        print(err, file=sys.stderr)
        return 1
    return 0


def fit_roles(tables: Tables, *, strangers: Tables = ()) -> None:
    """Fit the role model."""
    examples = measure_examples(read_tables(tables))
    unseen = measure_examples(read_tables(strangers), n_variations=0) if strangers else None
    result = fit_calibrated(examples, strangers=unseen, known_copies=read_known_copies(tables))
    result.model.save(MODEL_FILE)
    print_accuracy(examples.labels, result)


def fit_spaces(tables: Tables) -> None:
    """Fit the projection into the two search spaces, with the shipped role model."""
    labels = read_tables(tables)
    embeddings = measure_examples(labels, n_variations=0).embeddings
    roles = load_role_model().probabilities(embeddings)
    fit_projection(embeddings, drum_names(labels), roles, seed=SEED).save(SPACES_FILE)
    print(f"{len(labels)} hits, search spaces fitted")


def fit_copies(tables: Tables) -> None:
    """Fit the classifier of pairs and the space of candidate pairs."""
    pairs = make_pairs(
        group_strokes(read_tables(tables)),
        known_copies=read_known_copies(tables),
        on_drum=lambda drum: print(drum, file=sys.stderr),
    )
    classifier, logits = fit_classifier(pairs)
    classifier.save(CLASSIFIER_FILE)
    fit_space(pairs).save(SPACE_FILE)
    print_held_out(pairs, logits, classifier)


def fit_strength(tables: Tables) -> None:
    """Fit the model of strength without level."""
    drums = [drum for table, folder in tables for drum in read_layers(table, folder)]
    fit_strength_model(drums).save(STRENGTH_FILE)
    print_rank_correlations(drums)


def fit_strokes(tables: Tables, *, voices: Path | None = None) -> None:
    """Fit the model that finds strokes, and print how it does on sources that are held out."""
    folds = [
        make_rises(fold, n_takes=N_TAKES, seed=SEED + number)
        for number, fold in enumerate(fold_sources(read_material(read_tables(tables), voices)))
    ]
    model, unseen = fit_stroke_model(folds, seed=SEED)
    model.save(STROKES_FILE)
    print_strokes(folds, model, unseen)


def fit_voices(tables: Tables, *, voices: Path | None = None) -> None:
    """Fit the model that recognizes voices; without recorded voices, on made syllables."""
    material = fold_sources(read_material(read_tables(tables), voices))
    folds = [measure_sounds(fold, seed=SEED + k) for k, fold in enumerate(material)]
    fit_voice_model(join_sounds(folds)).save(VOICES_FILE)
    print_voices(folds)


COMMANDS: dict[str, tuple[Callable[..., None], str]] = {
    "roles": (fit_roles, "Fit the role model (library/metadata/role_model.npz)."),
    "spaces": (fit_spaces, "Fit the search spaces with the role model (search/spaces.npz)."),
    "copies": (fit_copies, "Fit what finds copies (matching/classifier.npz, candidates.npz)."),
    "strokes": (fit_strokes, "Fit what finds the strokes of takes (stroke_model.npz)."),
    "voices": (fit_voices, "Fit what recognizes voices in takes (voice_model.npz)."),
    "strength": (
        fit_strength,
        "Fit strength without level, from layers (strength.npz).",
    ),
}


if __name__ == "__main__":
    sys.exit(main())
