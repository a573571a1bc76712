"""Thousands of damaged files: each is a hit or has one clear reason, in bounded time and memory."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings

import pytest

from catalog import Catalog
from tests.trust.mangle import mangle

N_FILES, N_FILES_IN_FULL = 1000, 10_000
N_SCANNED = 60
MAX_S = 10.0  # for one file
MAX_BYTES = 600 * 2**20  # of a process that reads all of them

# Reads mangled files one by one and prints time and memory; a crash ends it with a signal.
READER = """
import json, sys, tempfile, time, warnings
from pathlib import Path
from catalog.errors import CatalogError
from catalog.library.metadata.filename import find_provenance
from catalog.library.scan.scanner import measure_file
from tests.trust.mangle import mangle
first, n = int(sys.argv[1]), int(sys.argv[2])
slowest, wrong, n_good = 0.0, [], 0
warnings.simplefilter("ignore")
with tempfile.TemporaryDirectory() as folder:
    for seed in range(first, first + n):
        data, suffix = mangle(seed)
        path = Path(folder) / f"snare_{seed}.{suffix}"
        path.write_bytes(data)
        print(seed, file=sys.stderr, flush=True)
        began = time.monotonic()
        try:
            measure_file(path)
            find_provenance(path, root=folder)
            n_good += 1
        except CatalogError as err:
            if not str(err).strip():
                wrong.append([seed, "no message"])
        except Exception as err:
            wrong.append([seed, f"{type(err).__name__}: {err}"])
        slowest = max(slowest, time.monotonic() - began)
        path.unlink()
# getrusage would include the peak of the parent process; VmHWM is of this process alone.
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
peak = int(status["VmHWM"].split()[0]) * 1024
print(json.dumps({"slowest": slowest, "wrong": wrong, "peak": peak, "good": n_good}))
"""


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.skipif(sys.platform != "linux", reason="reads the memory of a process from /proc")
def test_damaged_files_are_read_or_refused_in_bounded_time_and_memory(full):
    n = N_FILES_IN_FULL if full else N_FILES
    command = [sys.executable, "-c", READER, "1", str(n)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=3500, check=False)
    last = done.stderr.strip().splitlines()[-1:]
    assert done.returncode == 0, f"the reader died at {last}"
    result = json.loads(done.stdout)
    assert result["wrong"] == []
    assert result["slowest"] < MAX_S
    assert result["peak"] < MAX_BYTES
    assert 0.05 * n < result["good"] < 0.9 * n  # neither all damaged nor all intact


@pytest.mark.slow
def test_a_scan_reports_every_damaged_file(tmp_path):
    folder = tmp_path / "recordings"
    folder.mkdir()
    for seed in range(N_SCANNED):
        data, suffix = mangle(50_000 + seed)
        (folder / f"snare_{seed}.{suffix}").write_bytes(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Catalog.open(tmp_path / "drums.sqlite") as cat:
            report = cat.scan([folder], n_jobs=1)
            again = cat.scan([folder], n_jobs=1)
    reported = {path.name for path in report.added} | {s.path.name for s in report.skipped}
    assert reported == {path.name for path in folder.iterdir()}
    assert all(s.reason.strip() and "\n" not in s.reason for s in report.skipped)
    assert len(again.unchanged) == len(report.added)
    assert {s.path for s in again.skipped} == {s.path for s in report.skipped}
