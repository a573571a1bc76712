"""The taste in searches and kits of a catalog: off at first, visible, forgotten, undone."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from catalog.kit.fill.options import FillOptions
from catalog.kit.model import Kit
from catalog.services.kit.taste import choices_of_kit
from tests.signals import as_frames, drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick
PLAIN = FillOptions(plain=True)


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """A folder with 24 snares from low to high, and the store of it."""
    root = tmp_path_factory.mktemp("taste")
    for at in range(24):
        path = root / "drums" / ("barn", "loft")[at % 2] / f"snare {chr(97 + at)}.wav"
        path.parent.mkdir(parents=True, exist_ok=True)
        y = drum_stroke(120 + 25 * at, seed=at, sr=SR)
        path.write_bytes(encode_wav(as_frames(y), sr=SR))
    with Catalog.open(root / "drums.sqlite") as cat:
        cat.scan([root / "drums"], n_jobs=1)
    return root / "drums.sqlite"


@pytest.fixture
def cat(scanned):
    with Catalog.open(scanned) as opened:
        yield opened
        opened.annotations.mark([hit.id for hit in opened.hits()], "")
        opened.context.store.database.save_setting("choices_forgotten", [])


def order(cat, **options):
    hits = cat.hits()
    return [m.hit_id for m in cat.similar(hits[11].id, **options)]


def mark_darkest(cat, n):
    hits = sorted(cat.hits(), key=lambda hit: hit.descriptors["centroid_hz"])
    cat.annotations.mark([hit.id for hit in hits[:n]], "master")
    return hits


def liking(cat):
    return cat.taste.values([hit.id for hit in cat.hits()])


def test_nine_choices_change_nothing(cat):
    before = order(cat)
    kit = cat.fill_kit({}, ["snare"], seed=3)
    mark_darkest(cat, 9)
    assert not cat.taste.report().is_used
    assert liking(cat) is None
    assert order(cat) == order(cat, plain=True)
    assert set(order(cat)) == set(before)
    assert cat.kits.fill({}, ["snare"], seed=3, options=PLAIN) == cat.fill_kit(
        {}, ["snare"], seed=3
    )
    assert kit.slots


def test_ten_choices_bring_darker_hits_earlier_and_plain_does_not(cat):
    hits = mark_darkest(cat, 10)
    report = cat.taste.report()
    assert (report.n_choices, report.is_used) == (10, True)
    assert "darker" in report.prefers
    dark = {hit.id for hit in hits[:12]}

    def mean_place(ids):
        return np.mean([k for k, hit_id in enumerate(ids) if hit_id in dark])

    assert mean_place(order(cat)) < mean_place(order(cat, plain=True))


def test_forgotten_choices_teach_nothing_until_that_is_undone(cat):
    mark_darkest(cat, 12)
    with_taste = order(cat)
    assert cat.taste.forget() == 12
    assert (cat.taste.report().n_choices, cat.taste.report().is_used) == (0, False)
    assert order(cat) == order(cat, plain=True) != with_taste
    cat.undo()
    assert cat.taste.report().n_choices == 12
    assert order(cat) == with_taste


def test_saved_kits_show_what_was_swapped_out_and_locked():
    kit = Kit(
        slots={"snare": (5, 6), "kick": (1,), "tom_low": (9,), "crash": ()},
        locked=frozenset({"kick"}),
        passed={"snare": (7, 8, 5)},
    )
    found = [(c.kind, c.hit_id, c.other_id, c.weight) for c in choices_of_kit(kit)]
    assert found == [
        ("swapped", 5, 7, 1.0), ("swapped", 5, 8, 1.0), ("locked", 1, None, 1.0),
        ("kit", 9, None, 0.1),
    ]  # fmt: skip


def test_the_command_line_shows_and_forgets_the_taste(cat, scanned, capsys):
    mark_darkest(cat, 10)
    store = ["--store", str(scanned)]
    hit = str(cat.hits()[11].id)
    assert main(["similar", hit, *store]) == 0
    assert "learned from 10 choices" in capsys.readouterr().err
    assert main(["similar", hit, "--plain", *store]) == 0
    assert "learned" not in capsys.readouterr().err
    assert main(["taste", "--forget", *store]) == 0
    assert "10 choices forgotten" in capsys.readouterr().out
    assert main(["taste", *store]) == 0
    assert "0 choices so far" in capsys.readouterr().out


def test_a_swap_follows_the_taste_unless_it_is_plain(cat, scanned, capsys):
    mark_darkest(cat, 10)
    kit = cat.kits.fill({}, ["snare"], seed=3)
    cat.kits.save(kit, "day")
    orders: dict[bool, list[int]] = {False: [], True: []}
    for plain, order_of in orders.items():
        swapped = kit
        for _ in range(5):
            swapped = cat.kits.swap(swapped, "snare", plain=plain)
            order_of += swapped.slots["snare"]
    assert orders[False] != orders[True]
    for flags in ([], ["--plain"]):
        assert main(["swap", "day", "snare", *flags, "--store", str(scanned)]) == 0
        assert ("learned from" in capsys.readouterr().err) is (not flags)
