"""Chromium, and visits to pages over the small library and over the demo library."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

import pytest

from catalog import Catalog
from tests.walk import demo_folder
from tests.web.conftest import Library
from tests.web.visits import CHROMIUM, OPTIONS, Visit, serve, watch


@pytest.fixture(scope="module")
def browser() -> Iterator:
    if CHROMIUM is None:
        assert not os.environ.get("CI"), "chromium is missing; it must be there in CI"
        pytest.skip("chromium is not installed (Debian: apt-get install chromium)")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=list(OPTIONS))
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def address(scanned) -> Iterator[str]:
    """The address of a page over the library that is not to be changed."""
    with serve(scanned.store) as address:
        yield address


@pytest.fixture
def visit(browser, address) -> Iterator[Visit]:
    with watch(browser, address) as visit:
        yield visit


@pytest.fixture
def own_visit(browser, own) -> Iterator[Visit]:
    """A visit to a page over a library of this test alone."""
    with serve(own.store) as address, watch(browser, address) as visit:
        yield visit


@pytest.fixture(scope="session")
def scanned_demo() -> Iterator[Library]:
    """The demo library, scanned once."""
    with demo_folder() as folder:
        library = Library(folder / "recordings", folder / "scanned.sqlite")
        with Catalog.open(library.store) as catalog:
            catalog.scan([library.folder])
        yield library


@pytest.fixture(scope="module")
def demo(scanned_demo, tmp_path_factory: pytest.TempPathFactory) -> Library:
    """The demo library with a store of this module alone; its files must stay as they are."""
    store = tmp_path_factory.mktemp("demo") / "drums.sqlite"
    shutil.copy2(scanned_demo.store, store)
    return Library(scanned_demo.folder, store)
