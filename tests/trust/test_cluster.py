"""A scan on a local cluster of two workers gives the same store even if a worker dies."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.errors import ParameterError
from catalog.library.scan.isolated import IsolatedWorker, WorkerDied

MOST_S = 8.0  # until such an address is refused: 5 s, and more on a busy machine

# Its own process, because a cluster changes signal handlers and warns on its way out.
SCAN = """
import os, signal, sys
from pathlib import Path
from distributed import Client, LocalCluster
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.store import Store
from tests.trust.test_cluster import measure_or_die

def main():
    options = dict(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with LocalCluster(**options) as cluster, Store.open(sys.argv[1]) as store:
        killed = []

        def kill_one(progress):
            if progress.step == "measuring" and progress.done >= 10 and not killed:
                with Client(cluster.scheduler_address, set_as_default=False) as client:
                    pids = list(client.run(os.getpid).values())
                os.kill(pids[0], signal.SIGKILL)
                killed.append(pids[0])

        report = scan_folders(
            store, [sys.argv[2]], cluster=cluster.scheduler_address, on_progress=kill_one,
            measure=measure_or_die,
        )
        assert killed
        print(len(report.added), [s.path.name + ": " + s.reason for s in report.skipped])

if __name__ == "__main__":
    main()
"""


def measure_or_die(path: Path):
    """Measure a file; one file kills the process, as a broken decoder would."""
    from catalog.library.scan.workers import measure_file

    if path.name == "tom_3.wav":
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_file(path)


def read_hits(store_path: Path):
    with sqlite3.connect(store_path) as db:
        sql = "SELECT path, content_hash, role, descriptors FROM hit ORDER BY path"
        return db.execute(sql).fetchall()


@pytest.mark.slow
def test_a_cluster_gives_the_same_store_though_a_worker_and_a_decoder_die(tmp_path, library):
    (tmp_path / "scan.py").write_text(SCAN)
    store_path, root = tmp_path / "far.sqlite", Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "scan.py", store_path, library],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=200,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    line = done.stdout.splitlines()[-1]
    assert line.startswith("39 ['tom_3.wav: was not measured: its process was killed (SIGKILL)")
    with Catalog.open(tmp_path / "near.sqlite") as cat:
        cat.scan([library], n_jobs=1)
    near = [row for row in read_hits(tmp_path / "near.sqlite") if "tom_3" not in row[0]]
    assert read_hits(store_path) == near


@pytest.fixture
def silent_port():
    """Return a port where a program accepts connections and sends nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@pytest.mark.parametrize(
    "place",
    ["tcp://127.0.0.1:9", "tls://127.0.0.1:9", "127.0.0.1:99999", "tcp://127.0.0.1:{silent}",
     "tcp://nothing.invalid:8786"],
)  # fmt: skip
def test_an_address_without_a_cluster_is_an_error_within_seconds(
    tmp_path, library, silent_port, place
):
    address = place.format(silent=silent_port)
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        began = time.monotonic()
        with pytest.raises(ParameterError, match=f"no cluster scheduler responds at {address} "):
            cat.scan([library], cluster=address)
        assert time.monotonic() - began < MOST_S


@pytest.mark.parametrize("address", ["x", "tcp://127.0.0.1", "tcp://127.0.0.1:port", "127.0.0.1"])
def test_an_address_that_is_none_is_refused_at_once(tmp_path, library, address):
    with (
        Catalog.open(tmp_path / "drums.sqlite") as cat,
        pytest.raises(ParameterError, match="must be an address such as tcp://"),
    ):
        cat.scan([library], cluster=address)


def test_a_worker_is_started_again_after_it_has_died():
    worker = IsolatedWorker()
    assert worker.call(divmod, 7, 2) == (3, 1)
    with pytest.raises(WorkerDied):
        worker.call(os._exit, 3)
    assert worker.call(print, "does not disturb the answers") is None
    assert worker.call(len, "four") == 4
    worker.close()
