"""`catalog guide` lists and shows the guides without a store."""

from __future__ import annotations

import json

import pytest

from catalog.__main__ import main
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
    assert "subject='drums' must be one of: copies, files" in capsys.readouterr().err
