"""The examples in docstrings print what they show, on the demo library."""

from __future__ import annotations

import doctest
import importlib
import io
import pkgutil

import pytest

import catalog
from catalog import Catalog
from tests.walk import demo_folder

pytestmark = pytest.mark.slow


def examples() -> list[doctest.DocTest]:
    names = [m.name for m in pkgutil.walk_packages(catalog.__path__, "catalog.")]
    finder = doctest.DocTestFinder(exclude_empty=True)
    found: dict[str, doctest.DocTest] = {}
    for name in names:
        if name.rpartition(".")[2] in ("__main__", "script"):  # these run on import
            continue
        for test in finder.find(importlib.import_module(name), name):
            if test.examples:
                found[test.name] = test
    return list(found.values())


def test_every_example_in_a_docstring_is_run_and_prints_what_it_shows():
    tests = examples()
    assert len(tests) >= 9
    failures = io.StringIO()
    runner = doctest.DocTestRunner(verbose=False)
    with demo_folder(), Catalog.open("drums.sqlite") as cat:
        cat.scan(["recordings"])
        for test in tests:
            test.globs |= {"cat": cat, "Catalog": Catalog}
            runner.run(test, out=failures.write)
    assert not failures.getvalue(), failures.getvalue()
