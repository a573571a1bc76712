"""Ctrl+C is delayed within a block that must end, and never lost."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable

import pytest

from catalog import interrupts
from catalog.interrupts import check_interrupt, interruptible, uninterrupted


@pytest.fixture(autouse=True)
def _without_earlier_interrupt(monkeypatch):
    monkeypatch.setattr(interrupts._State, "raised_at", -interrupts.REPEAT_S)


def stop_during(work: Callable[[], None]) -> None:
    with interruptible():
        work()


def test_ctrl_c_raises_after_the_block_that_must_end():
    done = []

    def work():
        with uninterrupted():
            with uninterrupted():
                signal.raise_signal(signal.SIGINT)
                done.append(1)
            done.append(2)
        done.append(3)

    with pytest.raises(KeyboardInterrupt):
        stop_during(work)
    assert done == [1, 2]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_loop_in_such_a_block_can_give_up():
    done = []

    def work():
        with uninterrupted():
            signal.raise_signal(signal.SIGINT)
            check_interrupt()
            done.append(True)

    with pytest.raises(KeyboardInterrupt):
        stop_during(work)
    assert done == []
    assert interrupts._State.depth == 0


def test_a_second_ctrl_c_does_not_disturb_the_first():
    cleaned = []

    def work():
        try:
            signal.raise_signal(signal.SIGINT)
        finally:
            signal.raise_signal(signal.SIGINT)
            cleaned.append(True)

    with pytest.raises(KeyboardInterrupt):
        stop_during(work)
    assert cleaned == [True]


def test_an_error_that_ctrl_c_causes_in_an_import_is_no_error():
    def work():
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise ImportError("the extension module could not be initialized") from None

    with pytest.raises(KeyboardInterrupt):
        stop_during(work)


def test_an_error_without_ctrl_c_is_raised_as_it_is():
    def work():
        raise ImportError("no such module")

    with pytest.raises(ImportError, match="no such module"):
        stop_during(work)


def test_ctrl_c_in_a_destructor_is_raised_after_it():
    class Slow:
        def __del__(self):
            signal.raise_signal(signal.SIGINT)

    def work():
        value = Slow()
        del value
        threading.Event().wait(5.0)

    with pytest.raises(KeyboardInterrupt):
        stop_during(work)


def test_other_threads_are_not_concerned():
    done = []

    def work():
        with interruptible(), uninterrupted():
            check_interrupt()
            done.append(True)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert done == [True]
