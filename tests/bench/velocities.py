"""Levels of exported kits as an independent SFZ player plays them, at all velocities.

    python -m tests.bench.velocities FOLDER [FOLDER ...] [--kits 10] [--pictures FOLDER]

The folders are scanned into a temporary store, and kits with all layers are filled with different
seeds and exported. The player sfizz (pysfizz) plays each slot at velocities 1 to 127; its round
robins take turns. The level is that of the loudest 400 ms, K-weighted (ITU-R BS.1770-4), in both
channels. A step is the change to the next velocity. Then kick, snare, closed hat and crash are
struck together at full velocity, as files of the kit, and the true peak is measured by libebur128
(pyebur128). Recordings: MuldjordKit (CC BY 4.0) and layered drums of open percussion packages.
"""

from __future__ import annotations

import argparse
import csv
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.features.loudness import hit_loudness

if TYPE_CHECKING:
    import pysfizz

SR, BLOCK = 44_100, 64
LENGTH_S = 0.45  # of a stroke that is played
UNUSED_NOTE = 127  # no slot has it: playing it lets time pass
SILENT, LONGEST_S = 1e-6, 30  # peak from which a tail is over, and whole seconds waited for it
IN_MEMORY = "<control>\nhint_ram_based=1\n"  # else the player reads files while it renders them
FLOOR_LKFS = -70.0  # softer levels are not compared
TOGETHER = ("kick", "snare", "hat_closed", "crash")
VELOCITIES = range(1, 128)


def sweep(folder: Path, note: int) -> np.ndarray:
    """Return the level of a key at each velocity, LKFS."""
    import pysfizz

    levels = []
    synth = pysfizz.Synth(SR, BLOCK)
    loaded = folder / "in memory.sfz"
    loaded.write_text(IN_MEMORY + (folder / "kit.sfz").read_text("utf-8"), "utf-8")
    assert synth.load_sfz_file(loaded)
    for velocity in VELOCITIES:
        _wait_for_silence(synth)
        left, right = synth.render_note(note, velocity, 0.1, LENGTH_S)
        sound = np.stack([left, right], axis=1).astype(np.float32)
        levels.append(hit_loudness(sound, sr=SR))
    return np.array(levels)


def _wait_for_silence(synth: pysfizz.Synth) -> None:
    """Let the tails of earlier strokes end; a cymbal would add to the level of the next stroke."""
    for _ in range(LONGEST_S):
        if (
            max(np.abs(side).max() for side in synth.render_note(UNUSED_NOTE, 1, 0.01, 1.0))
            < SILENT
        ):
            return


def read_rows(folder: Path) -> list[dict[str, str]]:
    """Return the rows of the manifest."""
    with (folder / "manifest.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def chord_dbtp(folder: Path, rows: Sequence[dict[str, str]]) -> float:
    """Return the true peak of `TOGETHER` at full velocity; mono plays on both sides."""
    import pyebur128

    top = {row["slot"]: row for row in rows}  # layers go from weak to strong
    files = [top[slot] for slot in TOGETHER if slot in top]
    sr = max(int(row["sr"]) for row in files)
    mix = np.zeros((2 * sr, 2))
    for row in files:
        audio = decode_file(folder / row["file"])
        if audio.sr == sr:
            part = audio.samples[: len(mix)]
            mix[: len(part)] += part
    mode = pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(2, sr, mode)
    state.add_frames(np.ascontiguousarray(mix.ravel()), len(mix))
    return 20 * float(np.log10(max(pyebur128.get_true_peak(state, side) for side in (0, 1))))


def draw(path: Path, sweeps: dict[str, np.ndarray]) -> None:
    """Draw level over velocity of each slot as a PNG file."""
    from PIL import Image, ImageDraw

    width, height, gap, low, high = 260, 160, 30, -70.0, 0.0
    columns = 4
    n_rows = -(-len(sweeps) // columns)
    image = Image.new(
        "RGB", (columns * (width + gap) + gap, n_rows * (height + gap) + gap), "white"
    )
    pen = ImageDraw.Draw(image)
    for at, (slot, levels) in enumerate(sweeps.items()):
        left = gap + at % columns * (width + gap)
        top = gap + at // columns * (height + gap)
        pen.rectangle([left, top, left + width, top + height], outline="gray")
        pen.text((left, top - 14), slot, fill="black")
        y = np.clip((high - levels) / (high - low), 0, 1) * height + top
        x = left + np.arange(1, 128) / 127 * width
        pen.line(list(zip(x.tolist(), y.tolist(), strict=True)), fill="blue", width=2)
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path)


def main() -> None:
    """Print the steps of all kits, and the true peak of the chord of each."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--kits", type=int, default=10)
    parser.add_argument("--pictures", type=Path)
    args = parser.parse_args()
    steps, falls, largest, chords, stated = [], [], [], [], []
    with (
        tempfile.TemporaryDirectory() as folder,
        Catalog.open(Path(folder) / "drums.sqlite") as cat,
    ):
        cat.scan(args.folders)
        for seed in range(args.kits):
            kit = cat.kits.add_layers(cat.fill_kit({}, seed=seed))
            out = Path(folder) / f"kit {seed}"
            cat.export_kit(kit, out)
            rows = read_rows(out)
            notes = {row["slot"]: int(row["notes"].split()[0]) for row in rows}
            sweeps = {slot: sweep(out, note) for slot, note in notes.items()}
            for levels in sweeps.values():
                change = np.diff(levels[levels > FLOOR_LKFS])
                steps.extend(change)
                largest.append(change.max())
                falls.append(-change.min())
            chords.append(chord_dbtp(out, rows))
            manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
            stated.append(manifest["loudest_chord_dbtp"])
            print(
                f"kit {seed}: steps to {max(largest):.2f}, falls to {max(falls):.2f} dB", flush=True
            )
            if args.pictures:
                draw(args.pictures / f"kit_{seed}.png", sweeps)
    over = np.array(largest) > 2.0, np.array(falls) > 0.5
    print(f"slots {len(largest)}, steps {len(steps)}")
    print("largest step of a slot, dB: median {:.2f} p95 {:.2f} most {:.2f}".format(
        *np.percentile(largest, [50, 95, 100])))  # fmt: skip
    print("largest fall of a slot, dB: median {:.2f} p95 {:.2f} most {:.2f}".format(
        *np.percentile(falls, [50, 95, 100])))  # fmt: skip
    print(f"slots with a step over 2 dB {over[0].sum()}, with a fall over 0.5 dB {over[1].sum()}")
    print("chord stated, dBTP:", " ".join(f"{value:.1f}" for value in stated))
    print(f"{', '.join(TOGETHER)} together, dBTP:", " ".join(f"{value:.1f}" for value in chords))


if __name__ == "__main__":
    main()
