"""A child process that does calls, so that a crash ends the child and not the caller.

Calls and results travel by pickle through the standard streams of the child. The child is in a
session of its own: Ctrl+C reaches only the caller. It ends with the caller, however that ends.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from catalog.library.scan.processes.memory import keep_freed_memory, return_freed_memory

SERVE = "import sys; sys.path[:] = {path!r}; from {module} import serve; serve({parent})"
IDLE_S = 300.0  # a child without work ends after this time
REST_S = 2.0  # and returns memory that it has freed after this time
EXIT_S = 2.0  # a child that closed its streams has ended within this time
SHELL_SIGNALS = 128  # POSIX, shell command language: a higher exit code stands for a signal
PR_SET_PDEATHSIG = 1  # linux/prctl.h
THREAD_VARIABLES = tuple(
    f"{name}_NUM_THREADS" for name in ("OMP", "OPENBLAS", "MKL", "BLIS", "NUMEXPR")
)

# Linux ends a child with the thread that started it, so one thread that lives as long as the
# process starts all of them.
_starter = ThreadPoolExecutor(max_workers=1, thread_name_prefix="starter")


class WorkerDied(BrokenProcessPool):
    """The child process ended during a call."""

    def __init__(self, exit_code: int | None) -> None:
        super().__init__(f"a worker process ended with code {exit_code}")
        self.exit_code = exit_code  # a signal gives minus its number, or 128 plus it by a shell

    @property
    def signal_name(self) -> str:
        """Name of the signal that ended the child, such as "SIGKILL"; "" if none did."""
        with contextlib.suppress(ValueError):
            code = self.exit_code or 0
            return signal.Signals(-code if code < 0 else code - SHELL_SIGNALS).name
        return ""


class IsolatedWorker:
    """A child process; it is started at the first call and again after each crash."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._is_stopped = False

    def call(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Call `function` in the child and return its result, or raise its exception.

        Raise `WorkerDied` if the child ended; the next call starts a new one.
        """
        sent = pickle.dumps((function, arguments))
        child = self._running_child()
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(sent)
            child.stdin.flush()
            result, error = pickle.load(child.stdout)
        except (EOFError, OSError, ValueError, pickle.UnpicklingError) as err:
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(EXIT_S)
            self.close()
            raise WorkerDied(child.returncode) from err
        if error is not None:
            raise error
        return result

    def close(self) -> None:
        """End the child process, if there is one."""
        with self._lock:
            child, self._child = self._child, None
        if child is not None:
            child.kill()
            child.wait()
            for stream in (child.stdin, child.stdout):
                with contextlib.suppress(OSError):  # what was not sent is lost with the child
                    if stream is not None:
                        stream.close()

    def stop(self) -> None:
        """End the child from another thread; the present call and all later ones fail."""
        with self._lock:
            self._is_stopped = True
            if self._child is not None:
                self._child.kill()

    def _running_child(self) -> subprocess.Popen[bytes]:
        if self._child is not None and self._child.poll() is not None:  # idle for too long
            self.close()
        with self._lock:
            if self._is_stopped:
                raise WorkerDied(None)
            if self._child is None:
                self._child = _starter.submit(_start).result()
            return self._child


def _start() -> subprocess.Popen[bytes]:
    code = SERVE.format(path=sys.path, module=__name__, parent=os.getpid())
    pipe = subprocess.PIPE
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=pipe,
        stdout=pipe,
        env=dict.fromkeys(THREAD_VARIABLES, "1") | os.environ,  # there is a child for each core
        start_new_session=True,
    )


def serve(parent: int) -> None:
    """Do the calls that arrive by standard input until it ends; prints go to standard error."""
    _end_with_parent(parent)
    keep_freed_memory()
    results = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    calls: queue.SimpleQueue[tuple[Callable[..., Any], tuple[Any, ...]]] = queue.SimpleQueue()
    threading.Thread(target=_read_calls, args=(calls,), daemon=True).start()
    with contextlib.suppress(queue.Empty):
        while True:
            function, arguments = _next_call(calls)
            result = _call(function, arguments)
            results.write(result)
            results.flush()
            del function, arguments, result


def _next_call(calls: queue.SimpleQueue[Any]) -> Any:
    """Return the next call; raise `queue.Empty` after `IDLE_S` without one."""
    with contextlib.suppress(queue.Empty):
        return calls.get(timeout=REST_S)
    return_freed_memory()
    return calls.get(timeout=IDLE_S - REST_S)


def _call(function: Callable[..., Any], arguments: tuple[Any, ...]) -> bytes:
    try:
        return pickle.dumps((function(*arguments), None))
    except Exception as err:  # the caller raises it
        return pickle.dumps((None, err))


def _end_with_parent(parent: int) -> None:
    """Let the system end this process with the one that started it; only Linux can."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it ended before the call above
            os._exit(1)


def _read_calls(calls: queue.SimpleQueue[Any]) -> None:
    """Read calls; when the pipe is closed the caller has ended, and so does this process."""
    while True:
        try:
            calls.put(pickle.load(sys.stdin.buffer))
        except EOFError:
            os._exit(0)
        except Exception as err:  # a function that cannot be imported here
            calls.put((_raise, (err,)))


def _raise(err: Exception) -> None:
    raise err
