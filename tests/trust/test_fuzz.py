"""Bad files by the thousand: each is a hit or one clear line, soon, and in bounded memory."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings

import pytest

from catalog import Catalog
from tests.trust.mangle import mangle

N_FILES, N_IN_FULL = 1000, 10_000
N_SCANNED = 60
MOST_S = 10.0  # for one file
MOST_BYTES = 600 * 2**20  # of a process that reads all of them

# Reads mangled files one by one and prints what it took; a crash ends it with a signal.
READER = """
import json, sys, tempfile, time, warnings
from pathlib import Path
from catalog.errors import CatalogError
from catalog.library.metadata.filename import find_provenance
from catalog.library.scan.scanner import measure_file
from tests.trust.mangle import mangle
first, n = int(sys.argv[1]), int(sys.argv[2])
slowest, wrong, good = 0.0, [], 0
warnings.simplefilter("ignore")
with tempfile.TemporaryDirectory() as folder:
    for seed in range(first, first + n):
        data, ending = mangle(seed)
        path = Path(folder) / f"snare_{seed}.{ending}"
        path.write_bytes(data)
        print(seed, file=sys.stderr, flush=True)
        began = time.monotonic()
        try:
            measure_file(path)
            find_provenance(path, root=folder)
            good += 1
        except CatalogError as err:
            if not str(err).strip():
                wrong.append([seed, "no words"])
        except Exception as err:
            wrong.append([seed, f"{type(err).__name__}: {err}"])
        slowest = max(slowest, time.monotonic() - began)
        path.unlink()
# What getrusage tells was handed down by the process that started this one; this was not.
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
peak = int(status["VmHWM"].split()[0]) * 1024
print(json.dumps({"slowest": slowest, "wrong": wrong, "peak": peak, "good": good}))
"""


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the memory of a process")
def test_mangled_files_are_read_or_refused_in_time_and_memory(full):
    n = N_IN_FULL if full else N_FILES
    command = [sys.executable, "-c", READER, "1", str(n)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=3500, check=False)
    last = done.stderr.strip().splitlines()[-1:]
    assert done.returncode == 0, f"the reader died at {last}"
    told = json.loads(done.stdout)
    assert told["wrong"] == []
    assert told["slowest"] < MOST_S
    assert told["peak"] < MOST_BYTES
    assert 0.05 * n < told["good"] < 0.9 * n  # neither all spoiled nor all whole


@pytest.mark.slow
def test_a_scan_of_mangled_files_accounts_for_each(tmp_path):
    folder = tmp_path / "recordings"
    folder.mkdir()
    for seed in range(N_SCANNED):
        data, ending = mangle(50_000 + seed)
        (folder / f"snare_{seed}.{ending}").write_bytes(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Catalog.open(tmp_path / "drums.sqlite") as cat:
            report = cat.scan([folder], n_jobs=1)
            again = cat.scan([folder], n_jobs=1)
    told = {path.name for path in report.added} | {one.path.name for one in report.skipped}
    assert told == {path.name for path in folder.iterdir()}
    assert all(one.reason.strip() and "\n" not in one.reason for one in report.skipped)
    assert len(again.unchanged) == len(report.added)
    assert {one.path for one in again.skipped} == {one.path for one in report.skipped}
