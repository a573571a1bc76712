"""Catalogs at the edge: no hits at all, files of one sample, floats far beyond full scale."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from catalog import Catalog, KitError
from catalog.web.columns import make_columns
from catalog.web.payloads import pack_points
from tests.web.conftest import make_stroke

SR = 44100


@pytest.fixture
def empty(tmp_path):
    with Catalog.open(tmp_path / "empty.sqlite") as cat:
        yield cat


@pytest.fixture
def odd(tmp_path):
    """Two equal files of one sample, two at +110 dBFS, one at +600 dBFS, and a snare."""
    folder = tmp_path / "odd"
    folder.mkdir()
    click = np.zeros(3000, np.float32)
    click[0] = 0.5
    stroke = make_stroke("snare", 1)[:, 0]
    loud = 3e5 * stroke / np.abs(stroke).max()
    sounds = {
        "click a": click,
        "click b": click,
        "loud a": loud,
        "loud b": loud,
        "no audio": 1e30 * stroke,
    }
    for name, wave in (sounds | {"snare 1": stroke}).items():
        soundfile.write(folder / f"{name}.wav", wave.astype(np.float32), SR, "FLOAT")
    with Catalog.open(tmp_path / "odd.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        yield cat


def test_an_empty_catalog_answers_every_question(empty, tmp_path):
    file = tmp_path / "phone.wav"
    soundfile.write(file, make_stroke("snare", 2), SR)
    assert empty.hits() == empty.copies() == empty.duplicates.doubts() == []
    assert empty.similar(file) == empty.duplicates.microphone_ties() == []
    assert empty.review.faults() == empty.takes.sessions() == empty.kits.saved() == []
    assert len(empty.map.compute().hit_ids) == len(empty.map.layout().hit_ids) == 0
    assert empty.review.coverage().gaps == ()
    kit = empty.fill_kit({})
    assert not kit.slots
    with pytest.raises(KitError, match="empty"):
        empty.kit_sound.masking(kit)


def test_files_of_one_sample_and_above_full_scale_do_not_stop_a_scan(odd, tmp_path):
    names = {hit.id: hit.name for hit in odd.hits()}
    assert set(names.values()) == {"click a", "click b", "loud a", "loud b", "snare 1"}
    (skipped,) = odd.review.skipped()
    assert skipped.path.name == "no audio.wav"
    assert "dBFS, which is not audio" in skipped.reason
    assert 580 < int(skipped.reason.split()[1]) <= 600  # a stroke near full scale, times 1e30
    groups = [{names[i] for i in (g.keep, *g.others)} for g in odd.copies()]
    assert {"click a", "click b"} in groups
    assert {"loud a", "loud b", "snare 1"} in groups  # one recording at three levels
    odd.duplicates.doubts()
    layout = odd.map.compute()
    assert np.isfinite(layout.xy).all()
    points = pack_points(make_columns(odd.hits()), layout.hit_ids, layout.xy)
    assert len(points.ids) == 5
    kit = odd.fill_kit({})
    assert all(np.isfinite(list(odd.kit_sound.levels(kit).gain_db.values())))
    assert odd.export_kit(kit, tmp_path / "kit")
