"""Style sheets and scripts of the page: no class has two meanings."""

from __future__ import annotations

import re
from collections import defaultdict

from catalog.web.server.assets import FRONTEND, STYLES, read_frontend_file

COMMON = {"shared", "workbench"}  # folders whose sheets style what all scripts use
CLASS = re.compile(r"^\.([a-zA-Z][\w-]*)(?:[:\[].*)?$")  # a selector of one class and its states


def unscoped_classes(sheet: str) -> set[str]:
    """Return the classes that a sheet styles wherever they are used."""
    text = re.sub(r"/\*.*?\*/", "", sheet, flags=re.S)
    text = re.sub(r"@(media|container)[^{]*\{", "", text)
    selectors = ",".join(re.findall(r"([^{}]*)\{[^{}]*\}", text)).split(",")
    return {found[1] for s in selectors if (found := CLASS.match(s.strip()))}


def used_classes(script: str) -> set[str]:
    """Return the classes that a script gives to elements."""
    texts = re.findall(r"\bclass: ([^,}]*)", script)
    return {
        name for text in texts for part in re.findall(r"'([^']*)'", text) for name in part.split()
    }


def test_only_classes_without_a_parent_are_found():
    sheet = (
        "/* .a */ .b, .c .d { x: y } @media (max-width: 9px) { .e:hover { x: y } main.f { x: y } }"
    )
    assert unscoped_classes(sheet) == {"b", "e"}
    assert used_classes("el('i', { class: on ? 'a b' : 'c', title: 'd' })") == {"a", "b", "c"}


def test_each_class_is_styled_in_one_sheet_and_used_where_it_belongs():
    sheets = defaultdict(set)
    for sheet in STYLES:
        for name in unscoped_classes(read_frontend_file(sheet)):
            sheets[name].add(sheet)
    assert {name: found for name, found in sheets.items() if len(found) > 1} == {}
    own = {name: next(iter(found)).split("/")[0] for name, found in sheets.items()}
    strangers = {
        (name, script.relative_to(FRONTEND).as_posix(), own[name])
        for script in FRONTEND.rglob("*.js")
        for name in used_classes(script.read_text("utf-8")) & own.keys()
        if own[name] not in {*COMMON, script.parent.name}
    }
    assert strangers == set()
