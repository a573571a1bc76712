"""A catalog of the folder that the module's own fixture `folder` makes, and its command line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.__main__ import main


@pytest.fixture
def cat(folder: Path, tmp_path: Path) -> Iterator[Catalog]:
    with Catalog.open(tmp_path / "drums.sqlite") as opened:
        opened.scan([folder], n_jobs=1)
        yield opened


@pytest.fixture
def call(
    cat: Catalog, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Run a command on the store; return its exit code and what it printed to both streams."""

    def run(*arguments: object) -> tuple[int, str, str]:
        code = main([*map(str, arguments), "--store", str(tmp_path / "drums.sqlite")])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run
