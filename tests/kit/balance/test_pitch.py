"""Which pitches of a kit are measured, and those of the demo library, whose models are known."""

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile

from catalog.features.onset import find_stroke
from catalog.features.tone.modes import lowest_mode
from catalog.kit.balance import measure_pitches
from catalog.kit.model import Kit
from catalog.search.drums.drum_pitch import estimate_drum_pitches
from tests.kit.drums import make_hit

DEMO = Path(__file__).parents[3] / "demo_library"
DEMO_TOMS_HZ = {"loft tom": 148.0, "boathouse rack tom": 124.0, "boathouse floor tom": 79.0}
DEMO_CENTS = 130.0  # tolerance: strokes of these models start up to 7 % sharp


def test_the_kick_and_the_toms_have_the_pitch_of_their_drums():
    hits = [make_hit(1, "tom", body=90.0), make_hit(2, "kick", body=60.0)]
    hits += [make_hit(3, "tom", body=np.nan), make_hit(4, "snare", body=200.0)]
    slots = {"tom_low": (1,), "kick": (2,), "tom_mid": (3,), "tom_high": (), "snare": (4,)}
    pitches = measure_pitches(Kit(slots=slots), estimate_drum_pitches(hits))
    assert pitches == {"kick": 60.0, "tom_low": 90.0}


def test_every_tom_of_the_demo_library_has_the_pitch_of_its_model():
    with (DEMO / "truth.csv").open(encoding="utf-8", newline="") as file:
        toms = [row for row in csv.DictReader(file) if row["role"] == "tom" and not row["fault"]]
    for row in toms:
        samples, sr = soundfile.read(DEMO / row["path"], always_2d=True, dtype="float32")
        mono = samples.mean(axis=1)
        mode = lowest_mode(mono[find_stroke(mono, sr=sr).start :], sr=sr)
        cents = abs(1200 * np.log2(mode.clear_hz / DEMO_TOMS_HZ[row["drum"]]))
        assert cents < DEMO_CENTS
    assert len(toms) > 20


def test_librosa_is_never_imported():
    code = (
        "import sys, catalog.catalog\n"
        "import catalog.services.kit.kit_sound, catalog.library.scan.scanner\n"
        "sys.exit('librosa' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
