"""Fit the shipped arrays anew: `python -m catalog.training LABELS_CSV FOLDER [...]`.

Tables and folders come in pairs; `catalog.training.examples` says what a table holds.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from catalog.library.metadata.role_model import MODEL_FILE
from catalog.models import ROLES
from catalog.search.spaces import SPACES_FILE
from catalog.training.examples import SEED, drum_names, fit_roles, measure_examples, read_labels
from catalog.training.learn import fit_metric, fit_temperature, held_out_probabilities


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
    labels = [x for pair in zip(paths[::2], paths[1::2], strict=True) for x in read_labels(*pair)]
    examples = measure_examples(labels)
    sources, roles = (np.array([getattr(x, name) for x in labels]) for name in ("source", "role"))
    recorded = examples.embeddings[examples.is_recorded]
    unseen = held_out_probabilities(lambda mask: fit_roles(examples, mask), recorded, sources)
    named = roles != "other"
    temperature = fit_temperature(unseen[named], roles[named])
    model = fit_roles(examples, np.ones(len(labels), bool), temperature=temperature)
    model.save(MODEL_FILE)
    fit_metric(recorded, drum_names(labels), model.probabilities(recorded), seed=SEED).save(
        SPACES_FILE
    )
    right = np.array(ROLES)[unseen.argmax(axis=1)] == roles
    print(f"{len(labels)} hits of {len(set(sources))} sources, temperature {temperature:.1f}")
    print(f"role named right on sources left out: {right[named].mean():.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
