"""A scan that is stopped stores its measurements, and the next one continues from there."""

from __future__ import annotations

import pytest

from catalog import Catalog, ParameterError, Stopped
from catalog.library.scan.folders import MAX_FOLDERS, record_folders, scanned_folders
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.workers import measure_file


def stop_after(n_files: int):
    def hear(progress):
        if progress.step == "measuring" and progress.done == n_files:
            raise Stopped("enough")

    return hear


@pytest.mark.parametrize("n_jobs", [1, 2])
def test_measurements_before_a_stop_are_stored_and_not_repeated(store, library, n_jobs):
    with pytest.raises(Stopped, match="enough"):
        scan_folders(store, [library], n_jobs=n_jobs, on_progress=stop_after(4))
    assert len(store.hits.read()) == 4
    kept = store.hits.read()
    measured = []

    def measure(path):
        measured.append(path)
        return measure_file(path)

    report = scan_folders(store, [library], n_jobs=1, measure=measure)
    assert (len(report.unchanged), len(report.added), len(measured)) == (4, 2, 2)
    assert store.hits.read()[:4] == kept


def test_an_interrupted_process_stores_its_measurements(store, library):
    def interrupt(progress):
        if progress.step == "measuring" and progress.done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        scan_folders(store, [library], n_jobs=1, on_progress=interrupt)
    assert len(store.hits.read()) == 3


def test_folders_are_stored_with_whether_their_scan_ended(tmp_path, library):
    with Catalog.open(tmp_path / "s.sqlite") as cat:
        assert cat.folders() == []
        with pytest.raises(Stopped):
            cat.scan([library], n_jobs=1, on_progress=stop_after(2))
        assert [(f.path, f.finished) for f in cat.folders()] == [(str(library), False)]
        cat.scan([library / "Attic"], n_jobs=1)
        cat.scan([library], n_jobs=1)
        assert [(f.path, f.finished) for f in cat.folders()] == [
            (str(library), True), (str(library / "Attic"), True)
        ]  # fmt: skip
        with pytest.raises(ParameterError, match="does not exist"):
            cat.scan([library / "nowhere"])
        assert len(cat.folders()) == 2


def test_only_the_last_folders_are_stored(store):
    for number in range(MAX_FOLDERS + 3):
        record_folders(store, [f"/takes/{number}"], finished=False)
    record_folders(store, ["/takes/not \udcff text"], finished=False)
    record_folders(store, ["/takes/5"], finished=True)
    kept = scanned_folders(store)
    assert len(kept) == MAX_FOLDERS
    assert [f.path for f in kept[:2]] == ["/takes/5", "/takes/not \udcff text"]
    assert [f.finished for f in kept[:2]] == [True, False]
