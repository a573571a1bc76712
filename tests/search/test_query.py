"""Queries: their words, ranges with units, names by a piece, and answers equal to plain Python."""

from __future__ import annotations

import sqlite3
import time
from fnmatch import fnmatchcase

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog import Catalog, ParameterError
from catalog.search.conditions.columns import COLUMNS, find_column
from catalog.search.conditions.names import match_session, shorten_sessions
from catalog.search.conditions.ranges import Period, Range, parse_period, parse_range
from catalog.search.conditions.sql import _name_part
from catalog.search.conditions.text import parse_query
from catalog.search.conditions.words import is_one_typo
from catalog.search.query import Query, make_query, merge
from tests.walk import demo_folder

LENGTH, BRIGHTNESS = COLUMNS["length"], COLUMNS["brightness"]


@pytest.fixture(scope="module")
def cat():
    """Return a catalog of the demo library with some annotations."""
    with demo_folder(), Catalog.open("drums.sqlite") as cat:
        cat.scan(["recordings"])
        snares = [hit.id for hit in cat.hits() if hit.role == "snare"]
        cat.annotations.tag(snares[:3], add=["Dry"])
        cat.annotations.annotate(snares[:1], remark="loose wire, été")
        cat.set_role(snares[5], "tom")
        yield cat


@pytest.mark.parametrize(
    ("text", "column", "low", "high"),
    [
        ("0.5..2s", "length", 0.5, 2.0),
        ("..200ms", "length", -float("inf"), 0.2),
        ("100..200ms", "length", 0.1, 0.2),
        ("100ms..2s", "length", 0.1, 2.0),
        ("2k..", "brightness", 2000.0, float("inf")),
        (">1.5 kHz", "brightness", 1500.0, float("inf")),
        ("..-40dB", "peak", -float("inf"), -40.0),
        ("-23lkfs..-20 LUFS", "loudness", -23.0, -20.0),
        ("0.5min..", "length", 30.0, float("inf")),
        ("-6dBFS..", "peak", -6.0, float("inf")),
        ("..60%", "confidence", -float("inf"), 0.6),
        ((None, 2), "length", -float("inf"), 2.0),
        ("2", "channels", 2.0, 2.0),
    ],
)
def test_ranges_are_read_with_their_units(text, column, low, high):
    found = parse_range(text, COLUMNS[column])
    assert (found.low, found.high) == pytest.approx((low, high))


@pytest.mark.parametrize("text", ["", "..", "long", "1..2..3", "2s..1s", "1s", "5kHz..", (1, 2, 3)])
def test_what_is_no_range_of_a_length_is_refused(text):
    with pytest.raises(ParameterError, match="length"):
        parse_range(text, LENGTH)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2024", "2024-01-01", "2024-12-31"),
        ("2024-02", "2024-02-01", "2024-02-29"),  # a leap year
        ("2023-12..2024-02-03", "2023-12-01", "2024-02-03"),
        ("2024..", "2024-01-01", "9999"),
    ],
)
def test_periods_include_their_last_day(text, first, last):
    assert parse_period(text, COLUMNS["recorded"]) == Period(first, last)


@pytest.mark.parametrize("text", ["2024-13", "soon", "2024-02-30", "..", "2025..2024"])
def test_what_is_no_date_is_refused(text):
    with pytest.raises(ParameterError, match="recorded"):
        parse_period(text, COLUMNS["recorded"])


# The examples of the definition: one insertion, deletion, substitution or transposition.
@pytest.mark.parametrize(
    ("a", "b", "is_one"),
    [
        ("snare", "snaer", True), ("snare", "snre", True), ("snare", "snaare", True),
        ("snare", "snara", True), ("snare", "nsare", True), ("snare", "saner", False),
        ("snare", "sna", False), ("ab", "ba", True), ("abc", "cba", False),
    ],
)  # fmt: skip
def test_one_typo_is_an_edit_of_distance_one(a, b, is_one):
    assert is_one_typo(a, b) == is_one_typo(b, a) == is_one


def test_a_session_is_named_by_its_last_part_or_a_piece():
    known = ["a/b/Attic", "a/b/Attic north", "c/Barn", "d/Barn", "e/Loft 2024"]
    assert match_session("attic", known) == ["a/b/Attic"]
    assert match_session("north", known) == ["a/b/Attic north"]
    assert match_session("barn", known) == ["c/Barn", "d/Barn"]
    assert match_session("d/barn", known) == ["d/Barn"]
    assert match_session("att*", known) == ["a/b/Attic", "a/b/Attic north"]
    assert match_session("cellar", known) == []
    short = shorten_sessions(known)
    assert short["a/b/Attic"] == "Attic"
    assert (short["c/Barn"], short["d/Barn"]) == ("c/Barn", "d/Barn")


def plain_short(name, known):
    """Return the shortest end of a path that no other path has, compared with each."""
    parts = name.split("/")
    for n in range(1, len(parts) + 1):
        end = "/".join(parts[-n:])
        if sum(f"/{other}".endswith(f"/{end}") for other in known) == 1:
            break
    return end


@given(st.sets(st.text("ab/", min_size=1, max_size=6), max_size=9))
def test_sessions_are_shortened_as_by_comparing_each_with_each(known):
    assert shorten_sessions(known) == {name: plain_short(name, known) for name in known}


def test_the_sessions_of_a_million_hits_are_shortened_at_once():
    known = [f"y{n % 9}/sitting {n}" for n in range(12_000)]  # comparing each with each: 20 s
    before = time.process_time()
    assert shorten_sessions(known)["y3/sitting 3"] == "sitting 3"
    assert time.process_time() - before < 2


def test_a_text_gives_the_same_query_as_keyword_arguments():
    text = 'brass role:snare,tom session:"attic north" length:0.5..2s brightness>2k tag:dry'
    assert parse_query(text) == make_query(
        words="brass", role=["snare", "tom"], session="attic north", length="0.5..2s",
        brightness="2k..", tag="dry",
    )  # fmt: skip
    assert parse_query("") == Query()


@pytest.mark.parametrize(
    ("conditions", "words"),
    [
        ({"role": "snair"}, "no role is named 'snair'; did you mean 'snare'"),
        ({"colour": "red"}, "'colour' is no condition"),
        ({"limit": 0}, "limit 0: must be at least 1"),
        ({"sort": "-lenght"}, "did you mean 'length'"),
        ({"fault": "humm"}, "did you mean 'hum'"),
        ({"states": "gone"}, "states holds 'gone'"),
        ({"role": 3}, "must be text"),
    ],
)
def test_an_invalid_condition_is_named(conditions, words):
    with pytest.raises(ParameterError, match=words):
        make_query(**conditions)


def test_merged_queries_have_the_conditions_of_both():
    merged = merge(parse_query("brass role:snare"), make_query(words="hard", role="tom", limit=3))
    assert merged == make_query(words="brass hard", role=["snare", "tom"], limit=3)


# Answers, against a plain list of all hits

CASES = {
    "role:hat": lambda h: h.role.startswith("hat_"),
    "role:snare length:..200ms": lambda h: h.role == "snare" and h.descriptors["length_s"] <= 0.2,
    "session:boathouse": lambda h: h.session == "Vellanby boathouse",
    "name:sn*ghost*": lambda h: h.name.lower().startswith("sn") and "ghost" in h.name.lower(),
    "name:*/for_mixing/*": lambda h: "for_mixing" in h.path.parts,
    "tag:dry": lambda h: "Dry" in h.tags,
    "drum:snare": lambda h: h.drum.casefold() == "snare",
    "mic:oh": lambda h: any(mic.name == "oh" for mic in h.microphones),
    "damping:damped": lambda h: any(word in h.name for word in ("towel", "felt", "taped")),
    "recorded:2022-04": lambda h: h.origin.get("date", "").startswith("2022-04"),
    "channels:2": lambda h: h.n_channels == 2,
    "confidence:..60%": lambda h: h.role_source != "user" and h.role_confidence <= 0.6,
    "brass hard": lambda h: "brass" in h.name.lower() and "hard" in h.name.lower(),
    "Été": lambda h: h.remark != "",
    "braas": lambda h: "brass" in f"{h.name} {h.drum}".lower(),
    "scanned:today": lambda h: True,
    "where:\"length > 1 AND role != 'kick'\"": (
        lambda h: h.descriptors["length_s"] > 1 and h.role != "kick"
    ),
}  # fmt: skip


@pytest.mark.parametrize("text", CASES)
def test_a_query_gives_the_hits_that_a_loop_finds(cat, text):
    expected = [hit for hit in cat.hits() if CASES[text](hit)]
    assert cat.hits(text) == expected
    assert 0 < len(expected) <= len(cat.hits())


def test_unsure_leaves_out_roles_that_the_user_set(cat):
    found = cat.hits(unsure=True)
    assert found == [h for h in cat.hits() if h.role_source != "user" and h.role_confidence < 0.6]


def test_faults_are_those_of_the_list_of_faults(cat):
    listed = {fault.hit_id for fault in cat.review.faults(kinds=["second"])}
    found = {hit.id for hit in cat.hits(fault="second", microphones=True)}
    assert found == listed != set()
    every = {fault.hit_id for fault in cat.review.faults()}
    assert {hit.id for hit in cat.hits(fault="any", microphones=True)} == every
    hit_id = min(listed)
    cat.review.dismiss_fault([hit_id], "second")
    assert hit_id not in {hit.id for hit in cat.hits(fault="second", microphones=True)}


def test_hits_are_sorted_and_limited(cat):
    found = cat.hits(role="snare", sort="-length", limit=5)
    lengths = sorted((h.descriptors["length_s"] for h in cat.hits(role="snare")), reverse=True)
    assert [hit.descriptors["length_s"] for hit in found] == lengths[:5]
    names = [hit.name.casefold() for hit in cat.hits(sort="name")]
    assert names == sorted(names)


def test_like_orders_by_likeness_and_copies_of_lists_the_group(cat):
    snare = cat.hits(name="SN brass towel soft 2")[0]
    near = [match.hit for match in cat.similar(snare.id, role="snare")][:4]
    listed = cat.hits(like=snare.id, role="snare", limit=12)  # each file, also those with a copy
    assert [hit for hit in listed if hit in near] == near
    group = cat.copies()[0]
    assert {hit.id for hit in cat.hits(copies_of=group.keep)} == set(group.others)


def test_each_microphone_is_a_hit_if_wanted(cat):
    assert len(cat.hits(microphones=True)) == 287
    ids = {hit.id for hit in cat.hits("mic:oh", microphones=True)}
    assert ids == {hit.id for hit in cat.hits(microphones=True) if hit.microphone == "oh"}


def test_an_unknown_session_is_an_error_with_the_known_ones(cat):
    with pytest.raises(ParameterError, match=r"no session matches 'cellar'.*Vellanby boathouse"):
        cat.hits(session="cellar")
    with pytest.raises(ParameterError, match="2 sessions match 'kitchen'"):
        cat.hits(session="kitchen")
    assert len({hit.session for hit in cat.hits(session="kitchen*")}) == 2


def test_the_tables_follow_every_change_of_a_hit(cat):
    hit = cat.hits(role="snare")[10]
    cat.set_role(hit.id, "cowbell")
    assert [h.id for h in cat.hits(role="cowbell", confidence="1..")] == [hit.id]
    cat.takes.set_names([hit.id], drum="Zinc lid")
    assert [h.id for h in cat.hits(drum="zinc")] == [hit.id]
    assert [h.id for h in cat.hits("zinc lid")] == [hit.id]
    cat.files.hide([hit.id])
    assert cat.hits(drum="zinc") == []
    assert [h.id for h in cat.hits(drum="zinc", states=["hidden"])] == [hit.id]
    cat.files.unhide([hit.id])
    cat.takes.set_names([hit.id], drum="")
    cat.set_role(hit.id, "snare")


def test_names_with_two_channels_and_regions_are_those_of_the_hit(cat):
    database = cat.context.store.database
    stored = dict(database.read("SELECT hit_id, name FROM hit_search"))
    assert stored == {hit.id: hit.name for hit in cat.hits(microphones=True)}


def test_a_check_computes_the_tables_of_queries_again(cat):
    with cat.context.store.database.writing() as db:
        db.execute("UPDATE hit_search SET role = 'china'")
    assert len(cat.hits(role="china")) > 100
    assert not cat.review.check_store().is_whole
    assert cat.hits(role="china") == [hit for hit in cat.hits() if hit.role == "china"]


# The SQL condition


@pytest.mark.parametrize(
    "expression",
    [
        "length > 1",
        "role IN ('snare', 'tom') AND length BETWEEN 0.1 AND 0.3",
        "name LIKE '%brass%' OR lower(session) GLOB 'loft*'",
        "length > (SELECT avg(length) FROM hits)",
        "iif(peak > -6, brightness, 0) > 2000 -- loud and bright",
    ],
)
def test_where_is_what_sqlite_finds_in_the_same_columns(cat, expression):
    names = ["length", "role", "name", "session", "peak", "brightness"]
    columns = [COLUMNS[name] for name in names]
    rows = [
        (hit.id, *(hit.descriptors.get(c.sql) if c.kind == "number" else getattr(hit, c.sql)
                   for c in columns))
        for hit in cat.hits()
    ]  # fmt: skip
    plain = sqlite3.connect(":memory:")
    plain.execute(f"CREATE TABLE hits (id, {', '.join(names)})")
    plain.executemany(f"INSERT INTO hits VALUES (?{', ?' * len(names)})", rows)
    sql = f"SELECT id FROM hits WHERE ({expression}\n) ORDER BY id"
    expected = [row[0] for row in plain.execute(sql)]
    if "avg" in expression:  # the average is over the rows of all microphones
        assert set(expected) != set()
        assert cat.hits(where=expression)
    else:
        assert [hit.id for hit in cat.hits(where=expression)] == expected


@pytest.mark.parametrize(
    "expression",
    [
        "1) UNION SELECT id FROM main.hit --",
        "id IN (SELECT id FROM main.hit)",
        "id IN (SELECT hit_id FROM main.verdict)",
        "load_extension('x')",
        "random() > 0",
        "length > 1; DELETE FROM hit",
        "(SELECT count(*) FROM sqlite_master) > 0",
        "length(zeroblob(1e9)) > 0",
        "length(printf('%1000000d', 1)) > 0",
        "(WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i+1 FROM n) SELECT max(i) FROM n) > 0",
        "date('now') > '2020'",
        "id = writefile('x', 'y')",
        "colour = 'red'",
        "length >",
        "",
        "\x00",
    ],
)
def test_where_can_do_nothing_else(cat, expression):
    before = cat.hits()
    with pytest.raises(ParameterError, match="where"):
        cat.hits(where=expression or " ( ")
    assert cat.hits() == before


def test_a_column_may_be_called_by_the_name_of_its_descriptor():
    assert find_column("centroid_hz", option="sort") == BRIGHTNESS
    assert find_column("Length", option="sort") == LENGTH
    assert make_query(centroid_hz="1k..").numbers == ((BRIGHTNESS, Range(low=1000.0)),)


def test_patterns_of_names_match_as_those_of_the_standard_library_do():
    """Python's `fnmatch` is the reference; `?` and `*` also match the signs of SQL's LIKE."""
    names = ["Kick 100%", "kick 1000", "KICK_a", "kickxa", r"a\b", "a_b", "[x]"]
    with sqlite3.connect(":memory:") as db:
        db.execute("CREATE TABLE hit_search (name TEXT)")
        db.executemany("INSERT INTO hit_search VALUES (?)", [(name,) for name in names])
        for pattern in ("kick*", "*100%", "kick_?", "*_*", r"*\*", "KICK ????", "[[]x]", "k*a"):
            condition, values = _name_part(pattern)
            sql = f"SELECT name FROM hit_search s WHERE {condition} ORDER BY rowid"
            found = [row[0] for row in db.execute(sql, values)]
            expected = [n for n in names if fnmatchcase(n.lower(), pattern.lower())]
            assert found == expected, pattern
