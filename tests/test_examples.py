"""The examples in docstrings and the Python of README.md do what they show, on the demo library."""

from __future__ import annotations

import contextlib
import doctest
import importlib
import io
import pkgutil
import re
import textwrap

import pytest

import catalog
from catalog import Catalog
from tests.walk import README, demo_folder

pytestmark = pytest.mark.slow


def examples() -> list[doctest.DocTest]:
    names = [m.name for m in pkgutil.walk_packages(catalog.__path__, "catalog.")]
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = {}
    for name in names:
        if name.rpartition(".")[2] in ("__main__", "script"):  # they run when they are imported
            continue
        for test in finder.find(importlib.import_module(name), name):
            if test.examples:
                found[test.name] = test
    return list(found.values())


def test_every_example_in_a_docstring_is_run_and_prints_what_it_shows():
    tests = examples()
    assert len(tests) >= 9
    wrong = io.StringIO()
    runner = doctest.DocTestRunner(verbose=False)
    with demo_folder(), Catalog.open("drums.sqlite") as cat:
        cat.scan(["recordings"])
        for test in tests:
            test.globs |= {"cat": cat, "Catalog": Catalog}
            runner.run(test, out=wrong.write)
    assert not wrong.getvalue(), wrong.getvalue()


def test_the_python_of_readme_runs():
    part = README.read_text("utf-8").split("## From Python")[1].split("\n## ")[0]
    code = textwrap.dedent("\n".join(re.findall(r"^(?:    .*|)$", part, re.MULTILINE)))
    with demo_folder(), contextlib.redirect_stdout(io.StringIO()) as out:
        exec(compile(code, "README.md", "exec"), {})
    assert len(out.getvalue().splitlines()) == 5
