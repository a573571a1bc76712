"""The whole chain on open recordings: the drum hits of the Debian package sonic-pi-samples.

They are CC0 and have descriptive names. The shipped arrays were fitted on them among others, so
these tests prove nothing about unseen kits. `apt-get download` fetches the package without root
into a cache folder.
"""

from __future__ import annotations

import os
import subprocess
from collections import Counter
from pathlib import Path

import platformdirs
import pytest

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_audio
from catalog.audio.resample import resample
from catalog.library.metadata.roles import role_from_name
from catalog.models import Event

PACKAGE = "sonic-pi-samples"
DRUMS = ("bd_*", "drum_*", "sn_*", "hat_*")  # names that give the instrument
pytestmark = [pytest.mark.registry, pytest.mark.timeout(600)]


@pytest.fixture(scope="module")
def recordings() -> Path:
    cache = Path(platformdirs.user_cache_dir("catalog-tests", appauthor=False)) / PACKAGE
    if not list(cache.rglob("bd_*.flac")):
        cache.mkdir(parents=True, exist_ok=True)
        try:
            command = ["apt-get", "download", PACKAGE]
            subprocess.run(command, cwd=cache, check=True, capture_output=True)
            package = next(cache.glob("*.deb"))
            subprocess.run(["dpkg", "-x", package, cache], check=True, capture_output=True)
            package.unlink()
        except (OSError, subprocess.CalledProcessError, StopIteration) as err:
            if os.environ.get("CI"):
                raise
            pytest.skip(f"{PACKAGE} cannot be fetched here: {err}")
    return next(cache.rglob("bd_haus.flac")).parent


@pytest.fixture(scope="module")
def cat(recordings, tmp_path_factory):
    folder = tmp_path_factory.mktemp("open") / "set"
    folder.mkdir()
    for pattern in DRUMS:
        for path in recordings.glob(pattern):
            (folder / path.name).write_bytes(path.read_bytes())
    with Catalog.open(folder.parent / "store.sqlite") as opened:
        opened.scan([folder])
        yield opened


def test_every_recording_is_read(cat):
    assert cat.review.skipped() == []
    files = Counter(hit.path.name for hit in cat.hits())
    assert len(files) == 37  # as many as the package holds under these names
    assert {name for name, n in files.items() if n > 1} == set()
    (roll,) = (hit for hit in cat.hits() if hit.path.name == "drum_roll.flac")
    assert roll.event == Event.ROLL  # its name says so, and it is one file


def test_roles_are_read_from_file_names(cat):
    wanted = {"bd_haus": "kick", "sn_zome": "snare", "drum_cowbell": "cowbell"}
    wanted |= {"drum_tom_lo_hard": "tom"}
    found = {h.name: h.role for h in cat.hits()}
    assert {name: found[name] for name in wanted} == wanted


def test_the_nearest_of_a_soft_stroke_are_of_the_same_drum(cat):
    """Compare pairs by name; the last word is the strength."""
    names = {h.name: h.id for h in cat.hits()}
    drums = ("tom_hi", "tom_mid", "tom_lo", "bass", "snare", "cymbal")
    right = 0
    for drum in drums:
        first = [m.hit_id for m in cat.alternates(names[f"drum_{drum}_soft"], n=3)]
        right += names[f"drum_{drum}_hard"] in first
    assert right >= 5


def test_bass_drums_find_bass_drums(cat):
    """Most of the five hits most similar to a bass drum are bass drums, by name."""
    prefixes = ("bd_", "drum_bass", "drum_heavy")
    hits = cat.hits()
    shares = []
    for hit in hits:
        if hit.name.startswith("bd_"):
            names = [match.hit.name for match in cat.similar(hit.id, n=5)]
            shares.append(sum(name.startswith(prefixes) for name in names) / 5)
    chance = sum(hit.name.startswith(prefixes) for hit in hits) / len(hits)
    assert sum(shares) / len(shares) > chance + 0.3


def stem_of(hit) -> str:
    """Return the name of the recording that a hit was made from."""
    return hit.path.stem.removeprefix("x ")


def test_copies_made_of_them_are_found_and_no_two_recordings_are_grouped(cat, recordings, tmp_path):
    originals = sorted(recordings.glob("drum_*"))
    folder = tmp_path / "with copies"
    folder.mkdir()
    for path in originals:
        audio = decode_file(path)
        (folder / path.name).write_bytes(path.read_bytes())
        other = resample(-0.3 * audio.samples, sr=audio.sr, to_sr=48_000)
        data = encode_audio(other, sr=48_000, subtype="PCM_16")
        (folder / f"x {path.stem}.wav").write_bytes(data)
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        cat.scan([folder])
        groups = cat.copies()
        stems = [[stem_of(cat.hit(i)) for i in g.members] for g in groups]
    assert all(len(set(group)) == 1 for group in stems), Counter(map(tuple, stems))
    whole = {group[0] for group in stems} - {"drum_roll"}
    assert len(whole) >= 0.95 * (len(originals) - 1)


def test_names_without_an_instrument_give_no_role(recordings):
    for name in ("loop_amen", "ambi_drone", "vinyl_rewind"):
        assert role_from_name(recordings / f"{name}.flac", root=recordings) is None
