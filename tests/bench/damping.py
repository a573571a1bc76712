"""Damping of strokes in a session where only one file of each take names it: do microphones agree?

The strokes of each drum are joined to a take with a file for each microphone. The name of one of
the files holds "muted" where the set calls the drum muted, else "open"; which file it is changes
from drum to drum. The finished files of the set, as they are named, are scanned as well.

    python -m tests.bench.damping FOLDER

FOLDER holds a folder for each drum with files "DRUM_vlLAYER_rrN_MICROPHONE.flac", as in the open
package frankensnare (CC0 1.0); "muted" in its folders tells which drum is damped.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

from catalog import Catalog
from catalog.library.metadata.damping import damping_of, own_damping
from catalog.models import Hit
from tests.bench.microphones import list_drums, make_take, read_drum

NAMES = ("top", "bottom", "OH")
WORDS = {True: "muted", False: "open"}
TRUTH = {True: "damped", False: "open"}


def write_takes(source: Path, folder: Path) -> None:
    """Write the takes of all drums through three microphones, one folder for each drum."""
    whole = [(drum, *read_drum(strokes)) for drum, strokes in list_drums(source)]
    usable = [row for row in whole if len(row[1]) > 2 and row[1][0].shape[1] == len(NAMES)]
    for number, (drum, parts, sr) in enumerate(usable):
        is_muted = "muted" in drum
        place = folder / f"session {number:02} {'a' if is_muted else 'b'}"
        place.mkdir(parents=True)
        take, _ = make_take(parts, sr, changed=False)
        for at, (name, channel) in enumerate(zip(NAMES, take.T, strict=True)):
            word = f"{WORDS[is_muted]} " if at == number % len(NAMES) else ""
            path = place / f"snare {word}{name}.wav"
            soundfile.write(path, np.asarray(channel), sr, subtype="PCM_24")


def read_strokes(folder: Path, store: Path) -> list[list[Hit]]:
    """Scan a folder and return the microphones of each stroke that has several."""
    with Catalog.open(store) as cat:
        cat.scan([folder], n_jobs=1)
        by_id = {hit.id: hit for hit in cat.hits(microphones=True)}
        tied = [hit for hit in cat.hits() if hit.tied]
        return [[by_id[mic.hit_id] for mic in hit.tied] for hit in tied]


def print_figures(name: str, strokes: Sequence[Sequence[Hit]]) -> None:
    """Print how many strokes have one damping, by each file alone and by the vote."""
    for kind, find in (("each file alone", own_damping), ("vote", damping_of)):
        found = [({find(hit) for hit in hits}, hits[0].path.parent.name) for hits in strokes]
        agree = sum(len(dampings) == 1 for dampings, _ in found)
        line = f"{name}, {kind}: {agree} of {len(found)} strokes agree"
        if name == "takes":
            right = sum(dampings == {TRUTH[place.endswith("a")]} for dampings, place in found)
            line += f", {right} in what the set says"
        print(line, flush=True)


def main() -> None:
    """Read the folder and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    with tempfile.TemporaryDirectory() as text:
        work = Path(text)
        write_takes(folder, work / "takes")
        print_figures("takes", read_strokes(work / "takes", work / "takes.sqlite"))
        print_figures("finished files", read_strokes(folder, work / "files.sqlite"))


if __name__ == "__main__":
    main()
