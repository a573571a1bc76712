from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.encode import encode_audio
from catalog.errors import ParameterError, StoreError
from catalog.library.review.faults import dismiss_faults, read_faults
from catalog.library.scan.scanner import scan_folders
from catalog.library.store import schema
from catalog.library.store.store import Store


@pytest.fixture
def scanned(store, library):
    """Six hits, and one that is clipped."""
    t = np.arange(4000) / 16_000
    y = np.clip(2.0 * np.sin(2 * np.pi * 200 * t) * np.exp(-t / 0.03), -1, 0.999)
    samples = y.astype(np.float32)
    data = encode_audio(samples, sr=16_000, container="WAV", subtype="PCM_24")
    (library / "Attic" / "hot.wav").write_bytes(data)
    scan_folders(store, [library], n_jobs=1)
    return store


def hot(store):
    return next(hit for hit in store.hits.read() if hit.name == "hot")


def test_a_scan_stores_the_faults_of_each_hit(scanned):
    fault = read_faults(scanned, kinds=["clipped"])[0]
    assert fault.hit_id == hot(scanned).id
    assert (fault.label, fault.unit) == ("clipped", "samples")
    assert fault.value >= 3


def test_faults_are_sorted_by_weight_kind_or_hit(scanned):
    weights = [fault.weight for fault in read_faults(scanned)]
    assert weights == sorted(weights, reverse=True)
    ids = [fault.hit_id for fault in read_faults(scanned, sort="hit")]
    assert ids == sorted(ids)
    kinds = [fault.kind for fault in read_faults(scanned, sort="kind")]
    assert len([k for i, k in enumerate(kinds) if i == 0 or kinds[i - 1] != k]) == len(set(kinds))


def test_faults_are_filtered_by_weight_and_by_hit(scanned):
    assert all(fault.weight >= 0.9 for fault in read_faults(scanned, least_weight=0.9))
    hit_id = hot(scanned).id
    assert {fault.hit_id for fault in read_faults(scanned, hit_ids=[hit_id])} == {hit_id}


def test_a_dismissal_holds_until_it_is_revoked_or_the_file_changes(scanned, library, write_hit):
    hit = hot(scanned)
    dismiss_faults(scanned, [hit.id], "clipped")
    assert read_faults(scanned, kinds=["clipped"]) == []
    assert read_faults(scanned, kinds=["clipped"], dismissed=True)[0].dismissed
    dismiss_faults(scanned, [hit.id], "clipped", dismissed=False)
    assert len(read_faults(scanned, kinds=["clipped"])) == 1
    dismiss_faults(scanned, [hit.id], "clipped")
    scanned.close()
    with Store.open(scanned.path) as again:
        path = library / "Attic" / "hot.wav"
        path.touch()
        scan_folders(again, [library], n_jobs=1)
        assert read_faults(again, kinds=["clipped"]) == []
        path.write_bytes(path.read_bytes() + b"junk\0\0\0\0")
        scan_folders(again, [library], n_jobs=1)
        assert len(read_faults(again, kinds=["clipped"])) == 1


def test_unknown_kinds_orders_and_hits_are_refused(scanned):
    with pytest.raises(ParameterError, match="known are clipped, over"):
        read_faults(scanned, kinds=["ugly"])
    with pytest.raises(ParameterError, match="weight, kind, hit"):
        read_faults(scanned, sort="colour")
    with pytest.raises(StoreError, match="not in this store"):
        dismiss_faults(scanned, [hot(scanned).id, 9999], "clipped")
    assert read_faults(scanned, kinds=["clipped"])[0].dismissed is False


def test_a_shaker_has_no_fault_of_a_second_onset(scanned):
    hit = hot(scanned)
    with scanned.writing() as db:
        found = '[["second", 0.1, 0.0, -3.0, 0.8, -1]]'
        db.execute("UPDATE fault SET found = ? WHERE hit_id = ?", (found, hit.id))
    scanned.hits.set_role(hit.id, "snare")
    assert read_faults(scanned, kinds=["second"])
    scanned.hits.set_role(hit.id, "shaker")
    assert read_faults(scanned, kinds=["second"]) == []


def test_hits_of_an_older_store_are_measured_again(store, library):
    scan_folders(store, [library], n_jobs=1)
    assert "UPDATE hit SET version = 0" in schema.MIGRATIONS[1]
    with store.writing() as db:
        db.execute("DELETE FROM fault")
        db.execute("UPDATE hit SET version = 0")
    scan_folders(store, [library], n_jobs=1)
    assert store.database.read("SELECT count(*) FROM fault")[0][0] == len(store.hits.read())
