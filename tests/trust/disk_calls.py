"""Count every call of Python that changes the disk, and interrupt one of them.

The calls are counted in one process: the functions of `os` that change names, times or bytes, files
opened for writing and what is written to them, the rename of Linux that never overwrites, and each
commit of SQLite. At one chosen call the process is killed, before the call or after it, or the call
fails with an error of the operating system.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import signal
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NoReturn

from catalog.library.files import atomic

OS_CALLS = (
    "fsync", "ftruncate", "link", "mkdir", "remove", "rename", "replace", "rmdir", "sendfile",
    "symlink", "truncate", "unlink", "utime", "write",
)  # fmt: skip
WRITE_FLAGS = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC
NO_HARD_LINKS = OSError(errno.EXDEV, os.strerror(errno.EXDEV))  # link(2): across file systems


class Fate(StrEnum):
    """What happens at the chosen call."""

    COUNT = "count"  # nothing
    KILL_BEFORE = "kill before"
    KILL_AFTER = "kill after"
    FAIL = "fail"  # the call has no effect and raises an error
    FAIL_AFTER = "fail after"  # the call has its effect and raises an error: a disk that is wrong


@dataclass
class DiskCalls:
    """The calls of this process; create it, then `install` it once.

    Attributes
    ----------
    fate : Fate
    at : int, number of the chosen call, from 0
    error : int, as in `errno`; the error that the call fails with
    can_link : bool, False for a disk on which hard links are not possible
    n_calls : int, calls counted
    """

    fate: Fate = Fate.COUNT
    at: int = -1
    error: int = errno.EIO
    can_link: bool = True
    n_calls: int = 0

    def install(self) -> None:
        """Replace the functions; this cannot be reversed, so use it in a process of its own."""
        for name in OS_CALLS:
            if hasattr(os, name):
                setattr(os, name, self._counted(getattr(os, name)))
        if not self.can_link:
            os.link = _refuse_link
        os.open = self._counted_open(os.open)  # type: ignore[assignment]
        io.open = builtins.open = self._counted_files(io.open)  # type: ignore[assignment]
        if hasattr(os, "pwrite"):
            os.pwrite = self._counted(os.pwrite)
        rename = self._counted(atomic.rename_noreplace)
        for module in _modules_with("rename_noreplace"):
            module.rename_noreplace = rename
        self._count_commits()

    def _count(self, call: Callable[[], Any]) -> Any:
        """Run one call with its fate."""
        number, self.n_calls = self.n_calls, self.n_calls + 1
        if number != self.at or self.fate == Fate.COUNT:
            return call()
        if self.fate == Fate.KILL_BEFORE:
            die()
        if self.fate == Fate.FAIL:
            raise OSError(self.error, os.strerror(self.error))
        try:
            call()
        finally:
            if self.fate == Fate.KILL_AFTER:
                die()
        raise OSError(self.error, os.strerror(self.error))

    def _counted(self, function: Callable[..., Any]) -> Callable[..., Any]:
        return lambda *args, **kwargs: self._count(lambda: function(*args, **kwargs))

    def _counted_open(self, function: Callable[..., int]) -> Callable[..., int]:
        def counted(path: Any, flags: int, *args: Any, **kwargs: Any) -> int:
            if not flags & WRITE_FLAGS:
                return function(path, flags, *args, **kwargs)
            return int(self._count(lambda: function(path, flags, *args, **kwargs)))

        return counted

    def _counted_files(self, function: Callable[..., Any]) -> Callable[..., Any]:
        """Count the opening of files for writing; what is written to them is counted as well."""

        def counted(file: Any, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
            if not set(mode) & set("wax+"):
                return function(file, mode, *args, **kwargs)
            opened = self._count(lambda: function(file, mode, *args, **kwargs))
            opened.write = self._counted(opened.write)
            return opened

        return counted

    def _count_commits(self) -> None:
        """Count commits, which SQLite makes outside Python: a process can be killed before them."""
        connect = sqlite3.connect

        def counted(*args: Any, **kwargs: Any) -> sqlite3.Connection:
            connection = connect(*args, **kwargs)
            connection.set_trace_callback(self._on_statement)
            return connection

        sqlite3.connect = counted  # type: ignore[assignment]

    def _on_statement(self, sql: str) -> None:
        if not sql.startswith("COMMIT"):
            return
        number, self.n_calls = self.n_calls, self.n_calls + 1
        if number == self.at and self.fate in (Fate.KILL_BEFORE, Fate.KILL_AFTER):
            die()  # errors in this callback are ignored by `sqlite3`, so a commit cannot fail here


def die() -> NoReturn:
    """End this process as a crash does: nothing is flushed and no handler runs."""
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("the process outlived SIGKILL")


def _refuse_link(*_: Any, **__: Any) -> NoReturn:
    raise OSError(NO_HARD_LINKS.errno, NO_HARD_LINKS.strerror)


def _modules_with(name: str) -> list[Any]:
    import sys

    modules = [module for key, module in sys.modules.items() if key.startswith("catalog.library")]
    return [module for module in modules if hasattr(module, name)]
