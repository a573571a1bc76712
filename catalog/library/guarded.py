"""A child process that works, so that a decoder that dies natively takes only the child with it."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from typing import Any

SERVE = "from catalog.library.guarded import serve; serve()"


class ChildDied(RuntimeError):
    """The child ended while it worked."""


class Guarded:
    """Hands calls to a child, which is started when it is first needed and after each death."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None

    def call(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Let the child do `work`; both go to it, and the answer comes back, by pickle.

        Raises
        ------
        ChildDied
            if it ended; the next call has a new one
        """
        child = self._child = self._child or self._start()
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(pickle.dumps((work, arguments)))
            child.stdin.flush()
            return pickle.load(child.stdout)
        except (EOFError, OSError, pickle.UnpicklingError) as err:
            self.close()
            raise ChildDied from err

    def close(self) -> None:
        """End the child, if there is one."""
        child, self._child = self._child, None
        if child is not None:
            child.kill()
            child.communicate()

    def _start(self) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-c", SERVE]
        return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def serve() -> None:
    """Do what comes in by standard input until it ends; anything printed goes to standard error."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    while True:
        try:
            work, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        answers.write(pickle.dumps(work(*arguments)))
        answers.flush()
