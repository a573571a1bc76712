"""A cluster of workers gives the same results if a worker dies, and is refused with a reason."""

from __future__ import annotations

import itertools
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.duplicates.pairs import parallel as pairs_parallel
from catalog.errors import ClusterError, ParameterError
from catalog.library.scan.processes.cluster import open_cluster
from catalog.library.scan.processes.isolated import IsolatedWorker, WorkerDied
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.store import Store

MOST_S = 8.0  # until a cluster is refused: 5 s, and more on a busy machine
START_S = 30.0  # of a scheduler or a worker
ROOT = Path(__file__).parents[2]
RUN = "import sys; sys.argv[0] = 'dask'; from distributed.cli.dask_{} import main; main()"


def start(what: str, *arguments: object, path: str | Path = ROOT) -> subprocess.Popen[bytes]:
    """Start a scheduler or a worker; `path` is where it imports the package from."""
    return subprocess.Popen(
        [sys.executable, "-c", RUN.format(what), *map(str, arguments), "--no-dashboard"],
        env=os.environ | {"PYTHONPATH": str(path)},
        cwd=path,  # first on the path of a program given as text
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


@contextmanager
def ended(process: subprocess.Popen[bytes]):
    try:
        yield process
    finally:
        process.kill()
        process.wait()


@contextmanager
def running_scheduler():
    """Yield the process of a scheduler and its address."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with ended(start("scheduler", "--host", "127.0.0.1", "--port", port)) as process:
        wait_until(lambda: answers(port))
        yield process, f"tcp://127.0.0.1:{port}"


@contextmanager
def running_worker(address: str, *, path: str | Path = ROOT, n_threads: int = 1):
    options = ("--no-nanny", "--nthreads", n_threads, "--host", "127.0.0.1")
    with ended(start("worker", address, *options, path=path)) as process:
        yield process


def wait_until(condition) -> None:
    end = time.monotonic() + START_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.05)


def answers(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), 1):
            return True
    except OSError:
        return False


def wait_for_workers(address: str, n: int) -> None:
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(n, timeout=START_S)


@pytest.fixture(scope="module")
def scheduler():
    """Return the address of a scheduler without workers."""
    with running_scheduler() as (_, address):
        yield address


def refuse(address: str, library: Path, store: Path, words: str) -> None:
    """Check that a scan is refused, soon and before anything is measured."""
    with Catalog.open(store) as cat:
        began = time.monotonic()
        with pytest.raises(ClusterError, match=words):
            cat.scan([library], cluster=address)
        assert time.monotonic() - began < MOST_S
        assert not cat.hits()


def test_a_cluster_without_workers_is_refused(tmp_path, library, scheduler):
    refuse(scheduler, library, tmp_path / "drums.sqlite", "has no worker; start some")


def test_workers_without_this_package_or_with_other_code_are_refused(tmp_path, library, scheduler):
    other = {
        "has no package `catalog`; install this program": {
            "__init__.py": "raise ModuleNotFoundError('No module', name='catalog')"
        },
        "has other code: its MEASURE_VERSION is 1, here it is": {
            "__init__.py": "__version__ = '0.1.0'",
            "features/__init__.py": "MEASURE_VERSION = 1",
        },
    }
    for at, (words, files) in enumerate(other.items()):
        folder = tmp_path / str(at)
        for name, text in files.items():
            path = folder / "catalog" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text)
        with running_worker(scheduler, path=folder):
            wait_for_workers(scheduler, 1)
            refuse(scheduler, library, tmp_path / f"{at}.sqlite", words)


def pids_of(_worker: IsolatedWorker, batch):
    return [(item, os.getpid()) for item in batch]


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


def test_one_worker_with_one_thread_is_used_and_must_see_the_files(tmp_path, scheduler):
    with running_worker(scheduler) as worker:
        wait_for_workers(scheduler, 1)
        with open_cluster(scheduler) as cluster:
            found = list(cluster.map(pids_of, range(5), batch_size=2))
        assert found == [(item, worker.pid) for item in range(5)]
        gone = tmp_path / "elsewhere"
        with (
            pytest.raises(ClusterError, match=f"does not find {gone}; recordings must have the"),
            open_cluster(scheduler, sees=[gone]),
        ):
            pass


@pytest.mark.slow
def test_two_workers_of_which_one_dies_lose_no_result_and_give_none_twice(
    tmp_path, library, scheduler, monkeypatch
):
    monkeypatch.setattr(pairs_parallel, "REMOTE_TASK_PAIRS", 8)
    with Catalog.open(tmp_path / "near.sqlite") as cat:
        cat.scan([library], n_jobs=1)
        hits = cat.hits()
    pairs = list(itertools.combinations(hits, 2))[:96]
    expected = list(pairs_parallel.classify_many(pairs, lambda _: "", max_serial=len(pairs)))
    with ExitStack() as stack:
        workers = [stack.enter_context(running_worker(scheduler)) for _ in range(3)]
        wait_for_workers(scheduler, 3)

        def kill_one(progress):
            if progress.step == "measuring" and progress.done == 10:
                workers[0].kill()

        with Store.open(tmp_path / "far.sqlite") as store:
            report = scan_folders(
                store, [library], cluster=scheduler, on_progress=kill_one, measure=measure_or_die
            )
        with open_cluster(scheduler) as cluster:
            found = []
            for result in pairs_parallel.classify_many(
                pairs, lambda _: "", max_serial=0, cluster=cluster
            ):
                found.append(result)
                if len(found) == 20:
                    workers[1].kill()
    (skip,) = report.skipped
    assert skip.path.name == "tom_3.wav"
    assert skip.reason.startswith("was not measured: its process was killed (SIGKILL)")
    near = [row for row in read_hits(tmp_path / "near.sqlite") if "tom_3" not in row[0]]
    assert read_hits(tmp_path / "far.sqlite") == near
    assert found == expected


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_lost_scheduler_is_an_error_within_seconds(number):
    with running_scheduler() as (process, address), running_worker(address):
        wait_for_workers(address, 1)
        with open_cluster(address) as cluster:
            results = cluster.map(wait_long, range(2), batch_size=1)
            assert next(results) == 0
            process.send_signal(number)
            began = time.monotonic()
            with pytest.raises(ClusterError, match="was lost"):
                next(results)
        assert time.monotonic() - began < MOST_S


def wait_long(_worker: IsolatedWorker, batch):
    time.sleep(60.0 * batch[0])
    return batch


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


def test_an_empty_address_is_no_scan_without_a_cluster(tmp_path, library):
    done = subprocess.run(
        [sys.executable, "-m", "catalog", "scan", library, "--cluster", ""],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "the address is empty; give one such as tcp://127.0.0.1:8786" in done.stderr


def test_a_worker_is_started_again_after_it_has_died():
    worker = IsolatedWorker()
    assert worker.call(divmod, 7, 2) == (3, 1)
    with pytest.raises(WorkerDied):
        worker.call(os._exit, 3)
    assert worker.call(print, "does not disturb the answers") is None
    assert worker.call(len, "four") == 4
    worker.close()
