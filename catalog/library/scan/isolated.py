"""One child process that does calls, so that a crash ends the child and not the caller.

Calls and results travel by pickle through the standard streams of the child.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from typing import Any

SERVE = "from catalog.library.scan.isolated import serve; serve()"


class WorkerDied(RuntimeError):
    """The child process ended during a call."""


class IsolatedWorker:
    """A child process; it is started at the first call and again after each crash."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None

    def call(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Call `function` in the child and return its result.

        Raise `WorkerDied` if the child ended; the next call starts a new one.
        """
        if self._child is None:
            command = [sys.executable, "-c", SERVE]
            pipe = subprocess.PIPE
            self._child = subprocess.Popen(command, stdin=pipe, stdout=pipe)
        child = self._child
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(pickle.dumps((function, arguments)))
            child.stdin.flush()
            return pickle.load(child.stdout)
        except (EOFError, OSError, pickle.UnpicklingError) as err:
            self.close()
            raise WorkerDied from err

    def close(self) -> None:
        """End the child process, if there is one."""
        child, self._child = self._child, None
        if child is not None:
            child.kill()
            child.communicate()


def serve() -> None:
    """Do the calls that arrive by standard input until it ends; prints go to standard error."""
    results = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    while True:
        try:
            function, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        results.write(pickle.dumps(function(*arguments)))
        results.flush()
