"""Find finished mixes of the microphones of one stroke: `python tests/bench/mixes.py FOLDER`.

FOLDER holds `frankensnare` and `muldjordkit`, whose files are the microphones of single strokes.
Each stroke is mixed at random levels, delays and polarities, and written as a finished hit would
be: cut, faded, normalized, at 16 or 24 bits. The mix must be a copy of its own stroke and of no
other stroke of the same drum. Drums are divided into those looked at and those not.
"""

from __future__ import annotations

import argparse
import random
import re
import zlib
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.matching.mixes import fit_mix

MAX_MICROPHONES = 4
STROKE = re.compile(r"(.*)_(?:top|btm|oh)$|(\d+-[^-]+)-")  # the name without its microphone


def read_strokes(folder: Path) -> dict[str, dict[str, list[Path]]]:
    """Return the files of each stroke, by drum and stroke."""
    drums: dict[str, dict[str, list[Path]]] = defaultdict(lambda: defaultdict(list))
    for path in sorted(folder.rglob("*.flac")):
        if (found := re.match(r"(.*)(_top|_btm|_oh)$", path.stem)) or (
            found := re.match(r"(\d+-[^-]+)-(.*)$", path.stem)
        ):
            drums[str(path.parent)][found[1] or found[2]].append(path)
    return {d: {s: f for s, f in strokes.items() if len(f) > 1} for d, strokes in drums.items()}


def make_mix(microphones: list[Audio], rng: random.Random) -> Audio:
    """Return a finished mix of some of the microphones, mono or stereo."""
    sr, n_channels = microphones[0].sr, rng.choice((1, 1, 2))
    chosen = rng.sample(microphones, min(len(microphones), rng.choice((2, 2, 3))))
    n = min(len(m.samples) for m in chosen)
    out = np.zeros((n, n_channels))
    for microphone in chosen:
        gain = 10 ** (rng.uniform(-12, 0) / 20) * rng.choice((1, 1, 1, -1))
        mono = microphone.samples[:n].mean(axis=1) / np.abs(microphone.samples).max()
        delay = rng.choice((0, 0, rng.randrange(round(0.004 * sr))))
        pan = rng.uniform(0.3, 0.7) if n_channels == 2 else 1.0
        levels = np.array([pan, 1 - pan][:n_channels])
        out[delay:] += gain * mono[: n - delay, None] * levels
    first = rng.randrange(0, max(1, round(0.003 * sr)))
    out = out[first : round(n * rng.uniform(0.5, 1.0))]
    fade = min(len(out) // 4, round(0.05 * sr))
    out[len(out) - fade :] *= np.linspace(1, 0, fade)[:, None]
    out *= 10 ** (rng.uniform(-6, -0.3) / 20) / np.abs(out).max()
    bits = rng.choice((16, 24))
    out = np.round(out * 2 ** (bits - 1)) / 2 ** (bits - 1)
    return Audio(out.astype(np.float32), sr, "WAV", f"PCM_{bits}")


def main() -> None:
    """Print found mixes and false ones, by half."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--strokes", type=int, default=4, help="of each drum")
    parser.add_argument("--held-out", action="store_true", help="the drums that were not looked at")
    args = parser.parse_args()
    counts: Counter[str] = Counter()
    for drum, strokes in read_strokes(args.folder).items():
        held_out = bool(zlib.crc32(Path(drum).name.encode()) % 2)
        if held_out != args.held_out or not strokes:
            continue
        rng = random.Random(drum)
        names = rng.sample(sorted(strokes), min(args.strokes, len(strokes)))
        audio = {name: [decode_file(p) for p in strokes[name][:MAX_MICROPHONES]] for name in names}
        for name in names:
            mix = make_mix(audio[name], rng)
            for other in names:
                fit = fit_mix(mix, audio[other])
                kind = "own" if other == name else "other"
                counts[kind] += 1
                counts[f"{kind} copy"] += fit is not None and fit.is_copy
    for kind, word in (("own", "found"), ("other", "false")):
        n, total = counts[f"{kind} copy"], counts[kind]
        print(f"{word}: {n} of {total} ({n / max(1, total):.3f})")


if __name__ == "__main__":
    main()
