"""`catalog guide` lists and shows the guides without a store."""

from __future__ import annotations

import json
import operator
import re

import pytest

import catalog
from catalog import Catalog
from catalog.__main__ import main
from catalog.cli.parser import make_parser
from catalog.guide import list_subjects, read_guide


def test_the_subjects_are_listed_with_their_titles(capsys):
    assert main(["guide"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(list_subjects())
    assert "copies       Copies" in lines


@pytest.mark.parametrize("subject", list_subjects())
def test_a_guide_is_printed_unchanged(subject, capsys):
    assert main(["guide", subject]) == 0
    assert capsys.readouterr().out == read_guide(subject)


def test_json_holds_the_text(capsys):
    main(["guide", "kits", "--json"])
    assert json.loads(capsys.readouterr().out) == {"subject": "kits", "text": read_guide("kits")}


def test_an_unknown_subject_is_refused_and_the_subjects_are_listed(capsys):
    assert main(["guide", "drums"]) == 2
    assert (
        "there is no guide 'drums'; the guides are commands, copies, files"
        in capsys.readouterr().err
    )


def test_the_guide_to_the_commands_lists_those_that_take_hits_of_a_query():
    (action,) = (a for a in make_parser()._actions if a.dest == "command")
    takes = {name for name, parser in action.choices.items() if parser.get_default("takes_hits")}
    text = read_guide("commands").split("## Exit codes")[0].split("This holds for")[1]
    assert set(re.findall(r"`([a-z-]+)`", text.split(".")[0])) == takes


def test_the_python_names_in_the_guide_to_the_commands_exist():
    table = read_guide("commands").split("| command | Python | page |")[1].split("\n\n")[0]
    names = re.findall(r"`(cat)?((?:\.\w+)+)\(", table)
    assert len(names) > 15
    owner = ""
    for is_whole, path in names:
        *owners, method = path.removeprefix(".").split(".")
        owner = owners[0] if owners else "" if is_whole else owner
        part = getattr(Catalog, owner).func.__annotations__["return"] if owner else "Catalog"
        home = Catalog if part == "Catalog" else operator.attrgetter(part)(catalog)
        assert callable(getattr(home, method)), path
