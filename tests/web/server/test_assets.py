from __future__ import annotations

import json
import posixpath
import re
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from catalog.models import ROLES
from catalog.web.server.assets import (
    FRONTEND,
    STYLES,
    join_styles,
    loader_script,
    modules,
    shared_constants,
)

PAGE = files("catalog.web")
MAX_COLUMNS = 110
ROOT = Path(__file__).parents[3]


def test_the_page_looks_the_same_however_it_is_started():
    own = tomllib.loads(PAGE.joinpath("look.toml").read_text("utf-8"))
    assert tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text("utf-8")) == own


def luminance(color: str) -> float:
    """Relative luminance of "#RRGGBB"; W3C, WCAG 2.2, definition of relative luminance."""
    parts = [int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(first: str, second: str) -> float:
    """Contrast ratio, 1 to 21; W3C, WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_and_accents_contrast_with_the_background(scheme):
    theme = tomllib.loads(PAGE.joinpath("look.toml").read_text("utf-8"))["theme"][scheme]
    for background in (theme["backgroundColor"], theme["secondaryBackgroundColor"]):
        assert contrast(theme["textColor"], background) >= 7.0  # WCAG 2.2, 1.4.6, level AAA
    # WCAG 2.2, 1.4.3, level AA: the text of a button on its color
    assert contrast(theme["primaryColor"], theme["backgroundColor"]) >= 4.5


def test_every_role_has_its_own_shape():
    shapes = dict(re.findall(r"(\w+): (\['\w+', [01]\])", modules()["drawing/marks.js"]))
    assert set(shapes) == set(ROLES)
    assert len(set(shapes.values())) == len(ROLES)


def test_scripts_request_only_this_machine_and_write_no_markup():
    scripts = [loader_script(), *modules().values()]
    for js in scripts:
        # The namespace of SVG is a name, which no browser requests.
        assert not re.findall(r"https?://(?!www\.w3\.org/2000/svg')", js)
        assert not re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", js)
        assert all(path.startswith("/api/") for path in re.findall(r"fetch\(`([^`]*)`", js))


def test_every_imported_name_is_exported_by_its_module():
    found = 0
    for name, js in modules().items():
        for names, relative in re.findall(
            r"^import \{([^}]*)\}\s*from '([^']*)';$", js, re.MULTILINE
        ):
            target = posixpath.normpath(posixpath.join(posixpath.dirname(name), relative))
            exported = exports_of(modules()[target])
            wanted = {part.split(" as ")[0].strip() for part in names.split(",") if part.strip()}
            assert wanted <= exported, (name, target, wanted - exported)
            found += len(wanted)
    assert found > 100


def exports_of(js: str) -> set[str]:
    direct = re.findall(
        r"^export (?:const|class|(?:async )?function\*?) ([\w$]+)", js, re.MULTILINE
    )
    lists = re.findall(r"^export \{([^}]*)\};$", js, re.MULTILINE)
    return {*direct, *(name.strip() for part in lists for name in part.split(","))}


def test_every_module_is_preloaded_by_the_loader():
    addresses = json.loads(re.search(r"const addresses = (\[.*?\])\.map", loader_script())[1])
    assert addresses[0].endswith("/main.js")
    assert {address.split("/", 4)[4] for address in addresses} == set(modules())


def test_no_style_sheet_is_left_out():
    sheets = {path.relative_to(FRONTEND).as_posix() for path in FRONTEND.rglob("*.css")}
    assert sheets == set(STYLES)


def test_each_shared_constant_is_used_by_some_module():
    imported = r"^import \{([^}]*)\}\s*from '[./]*constants\.js';$"
    names = {
        name.strip()
        for js in modules().values()
        for part in re.findall(imported, js, re.MULTILINE)
        for name in part.split(",")
    }
    assert names == set(shared_constants())


def test_lines_of_scripts_and_styles_fit_on_a_screen():
    for path in (*FRONTEND.rglob("*.js"), *FRONTEND.rglob("*.css")):
        lines = path.read_text("utf-8").splitlines()
        assert [line for line in lines if len(line) > MAX_COLUMNS] == [], path


def test_transitions_respect_reduced_motion():
    css = join_styles()
    assert css.count("transition") == 1
    assert re.search(r"prefers-reduced-motion: no-preference\) \{[^}]*transition", css)
