"""Lists fit the terminal: aligned columns, nothing wraps, wide letters count twice."""

from __future__ import annotations

import pytest

from catalog.cli.selection import NUMBER_WORDS, join_values
from catalog.cli.table import (
    DEFAULT_COLUMNS,
    NARROW_COLUMNS,
    fit_widths,
    format_value,
    hit_columns,
    shorten,
    shorten_list,
    table_lines,
)
from catalog.search.conditions import columns

NAMES = (
    "SN brass towel hard 1",
    "Caisse claire étouffée très longue 12",
    "太鼓の音 03 近く",
    "x" * 300,
)
HEADER = ("id", "name", "session", "length")


def width_of(text: str) -> int:
    """Count cells: ideographs and kana are two wide (Unicode Standard Annex 11)."""
    return sum(2 if "\u3000" <= letter <= "\u9fff" else 1 for letter in text)


@pytest.mark.parametrize("width", [40, 80, 120, 200])
def test_no_row_is_wider_than_the_terminal(monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    rows = [[str(10**n), name, name[::-1], "0.25 s"] for n, name in enumerate(NAMES)]
    lines = table_lines(HEADER, rows)
    assert len(lines) == 1 + len(rows)
    assert max(map(width_of, lines)) <= width
    assert all("\n" not in line for line in lines)


def test_columns_are_aligned_and_numbers_end_at_one_place(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    lines = table_lines(HEADER, [["5", "a", "Attic", "1 s"], ["1234", "bb", "Barn", "2 s"]])
    assert [line.index(word) for line, word in zip(lines, ("name", "a", "bb"), strict=True)] == [
        6
    ] * 3
    assert lines[1].startswith("   5")
    assert lines[2].startswith("1234")


def test_the_middle_of_a_long_name_is_cut(monkeypatch):
    assert shorten("SN brass towel hard 12", 13) == "SN bra…ard 12"
    assert width_of(shorten("太鼓の音 03 近く", 9)) <= 9
    assert shorten("short", 5) == "short"


def test_without_a_terminal_nothing_is_cut(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert (
        "Caisse claire étouffée très longue 12" in table_lines(("name",), [[n] for n in NAMES])[2]
    )


def test_the_widest_columns_are_cut_first():
    assert fit_widths([5, 50, 20], 60) == [5, 31, 20]
    assert sorted(fit_widths([5, 50, 50], 60)) == [5, 25, 26]
    assert fit_widths([5, 6], None) == [5, 6]


@pytest.mark.parametrize(
    ("word", "unit", "value", "text"),
    [
        ("length", "s", 0.0214, "21.4 ms"), ("length", "s", 1.234, "1.23 s"),
        ("brightness", "Hz", 2345.6, "2346 Hz"), ("peak", "dBFS", -6.04, "-6.0 dBFS"),
        ("confidence", "", 0.9, "90 %"), ("body", "Hz", None, "-"), ("mark", "", "", ""),
    ],
)  # fmt: skip
def test_values_are_printed_with_their_units(word, unit, value, text):
    assert format_value(word, unit, value) == text


def test_the_options_have_the_words_of_all_numbers():
    assert tuple(NUMBER_WORDS) == columns.NUMBER_WORDS


def test_a_value_may_begin_with_a_dash():
    assert join_values(["hits", "--sort", "-length", "--peak", "-6..", "-"]) == [
        "hits", "--sort=-length", "--peak=-6..", "-",
    ]  # fmt: skip


def test_a_list_is_cut_between_its_parts():
    text = "567 Hz darker, 128 ms longer, rings 20 ms longer"
    assert shorten_list(text, 48) == text
    assert shorten_list(text, 40) == "567 Hz darker, 128 ms longer, …"
    assert shorten_list(text, 20) == "567 Hz darker, …"
    assert shorten_list(text, 8) == shorten("567 Hz darker", 8)


@pytest.mark.parametrize(
    ("width", "columns"), [("80", NARROW_COLUMNS), ("99", NARROW_COLUMNS), ("100", DEFAULT_COLUMNS)]
)
def test_a_narrow_terminal_shows_fewer_columns_unless_some_are_given(monkeypatch, width, columns):
    monkeypatch.setenv("COLUMNS", width)
    assert hit_columns() == columns
    assert hit_columns(["id", "note"]) == ("id", "note")
