"""Let Ctrl+C stop a command at a place where nothing is half done.

The handler of `interruptible` raises `KeyboardInterrupt` at once, except within `uninterrupted`: a
transaction or the move of a file ends first.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
import time
from collections.abc import Iterator
from types import FrameType
from typing import Any

REPEAT_S = 1.0  # a second Ctrl+C within this time means the first one
RETRY_S = 0.02  # after Python dropped the exception, as it does in destructors


class _State:
    depth = 0  # blocks of `uninterrupted` that the main thread is in
    is_waiting = False  # for the end of such a block
    raised_at = -REPEAT_S  # time.monotonic()


@contextlib.contextmanager
def interruptible(*, is_last: bool = False) -> Iterator[None]:
    """Handle Ctrl+C until the block ends; if `is_last`, ignore it while the process ends.

    An error that ends the block after Ctrl+C was raised is replaced by `KeyboardInterrupt`: a
    library that is stopped while it is imported may raise any other error. Does nothing outside the
    main thread, which alone receives signals, and where the caller has a handler of its own or
    ignores the signal.
    """
    is_main = threading.current_thread() is threading.main_thread()
    if not is_main or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return
    hook = sys.unraisablehook
    sys.unraisablehook = _retry_if_dropped(hook)
    began = time.monotonic()
    signal.signal(signal.SIGINT, _handle)
    try:
        yield
    except Exception as err:
        if _State.raised_at < began:
            raise
        raise KeyboardInterrupt from err
    finally:
        after = signal.SIG_IGN if is_last else signal.default_int_handler
        signal.signal(signal.SIGINT, after)
        sys.unraisablehook = hook


@contextlib.contextmanager
def uninterrupted() -> Iterator[None]:
    """Delay Ctrl+C until the block ends; keep it shorter than a second."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    _State.depth += 1
    try:
        yield
    finally:
        _State.depth -= 1
        if _State.depth == 0:
            check_interrupt()


def check_interrupt() -> None:
    """Raise the `KeyboardInterrupt` that was delayed, if there is one.

    For loops within `uninterrupted` that can be given up: a transaction is then rolled back.
    """
    if _State.is_waiting and threading.current_thread() is threading.main_thread():
        _State.is_waiting = False
        _raise()


def _handle(_number: int, _frame: FrameType | None) -> None:
    if time.monotonic() - _State.raised_at < REPEAT_S:
        return
    if _State.depth:
        _State.is_waiting = True
    else:
        _raise()


def _raise() -> None:
    _State.raised_at = time.monotonic()
    raise KeyboardInterrupt


def _retry_if_dropped(hook: Any) -> Any:
    """Return a hook for exceptions that Python cannot raise where they happen."""

    def report(unraisable: Any) -> None:
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            hook(unraisable)
            return
        _State.raised_at = -REPEAT_S
        timer = threading.Timer(RETRY_S, signal.raise_signal, (signal.SIGINT,))
        timer.daemon = True
        timer.start()

    return report
