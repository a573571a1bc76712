from __future__ import annotations

import signal

import pytest

# A shell that starts the tests in the background may ignore Ctrl+C for them; some tests send it.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--full",
        action="store_true",
        help="run the long tests in full: 10,000 mangled files, 500 kills (over an hour)",
    )


@pytest.fixture
def full(request: pytest.FixtureRequest) -> bool:
    """Whether the long tests run in full, or a seeded share of them."""
    return bool(request.config.getoption("--full"))
