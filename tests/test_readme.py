"""README.md and the guides show what the commands print."""

from __future__ import annotations

import re
import shlex

import numpy as np
import pytest

from catalog.cli.parser import make_parser
from catalog.features.descriptors.table import DESCRIPTORS
from catalog.features.faults import FAULT_KINDS
from catalog.kit.export.plan import DOCUMENTS as EXPORTED
from tests.walk import (
    DOCUMENTS,
    GUIDES,
    INDENT,
    README,
    ROOT,
    Walk,
    demo_folder,
    mask,
    parse_steps,
    trim,
)

TEXTS = {path.name: path.read_text("utf-8") for path in DOCUMENTS}
ALL_TEXT = "\n".join(TEXTS.values())
NUMBER_TOLERANCE = 0.05  # relative; processors round differently
N_PYTHON_LINES = 5  # README prints five matches


@pytest.fixture(scope="module")
def walk():
    with demo_folder() as folder:
        yield Walk(folder)


@pytest.mark.slow
@pytest.mark.parametrize("name", TEXTS)
def test_commands_print_what_the_document_shows(walk, name):
    steps = parse_steps(TEXTS[name])
    for step, output in zip(steps, walk.outputs(steps), strict=True):
        if step.is_python:
            continue
        lines = trim(output, step.shown)
        assert len(lines) == len(step.shown), step.source
        for printed, shown in zip(lines, step.shown, strict=True):
            (words, numbers), (shown_words, shown_numbers) = mask(printed), mask(shown)
            assert words == shown_words, step.source
            assert np.allclose(numbers, shown_numbers, rtol=NUMBER_TOLERANCE, atol=1.0), shown


@pytest.mark.slow
def test_the_python_of_readme_prints_five_matches(walk):
    (step,) = [step for step in parse_steps(TEXTS["README.md"]) if step.is_python]
    (output,) = walk.outputs([step])
    assert len(output) == N_PYTHON_LINES


def test_commands_that_are_not_run_are_valid():
    lines = re.findall(rf"^{INDENT}\.venv/bin/catalog (.*)$", ALL_TEXT, re.MULTILINE)
    assert len(lines) > 3
    for line in lines:
        assert make_parser().parse_args(shlex.split(line)).command == line.split()[0]


def test_every_command_is_described():
    commands = make_parser()._subparsers._group_actions[0].choices
    assert not [c for c in commands if not re.search(rf"`{c}\b|catalog {c}\b", ALL_TEXT)]


def test_the_guide_to_the_numbers_holds_every_descriptor_with_its_unit():
    rows = [" ".join(f"| {d.label} | `{d.name}` | {d.unit} |".split()) for d in DESCRIPTORS]
    assert not [row for row in rows if row not in TEXTS["numbers.md"]]


def test_the_guide_to_faults_holds_every_kind():
    rows = [
        " ".join(f"| `{kind}` | {k.label} | {k.unit} | {k.meaning} |".split())
        for kind, k in FAULT_KINDS.items()
    ]
    assert not [row for row in rows if row not in TEXTS["review.md"]]


def test_the_guide_to_kits_names_every_file_of_an_export():
    assert not [name for name in EXPORTED if f"`{name}`" not in TEXTS["kits.md"] and "." in name]


def test_readme_links_every_guide_and_every_link_exists():
    links = re.findall(r"\]\(([^)]+)\)", TEXTS["README.md"])
    assert {path.relative_to(ROOT).as_posix() for path in GUIDES} <= set(links)
    assert all((ROOT / link).exists() for link in links)


def test_readme_and_the_developer_notes_stay_short():
    assert len(README.read_bytes()) <= 6_000
    assert len((ROOT / "DEVELOPERS.md").read_bytes()) <= 8_000


def test_paths_and_constants_in_the_developer_notes_exist():
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    paths = {path.rstrip("/") for path in re.findall(r"`((?:\w+/)+[\w.]*)`", text)}
    assert len(paths) > 20
    folders = [ROOT / name for name in ("catalog", "tests", "demo_library")]
    existing = [f"/{q.relative_to(ROOT).as_posix()}" for top in folders for q in top.rglob("*")]
    existing += [f"/{folder.name}" for folder in folders]
    assert not [path for path in paths if not any(q.endswith(f"/{path}") for q in existing)]
    code = "\n".join(path.read_text("utf-8") for path in (ROOT / "catalog").rglob("*.py"))
    names = set(re.findall(r"`([A-Z][A-Z_]{3,}|[a-z]+_[a-z_]+)`", text)) - {"true_strokes"}
    assert not [name for name in names if not re.search(rf"\b{name}\b", code)]
