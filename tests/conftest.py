from __future__ import annotations

import pytest


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
