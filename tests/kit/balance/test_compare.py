"""Two kits compared slot by slot."""

import numpy as np

from catalog.features.production import PRODUCTION_NAMES
from catalog.kit.balance import compare_kits
from catalog.kit.fill.fill import Pool, score_kit
from catalog.kit.levels import Levels
from catalog.kit.model import Kit
from tests.kit.drums import make_hit


def test_two_kits_are_compared_slot_by_slot():
    hits = (make_hit(1, session="barn"), make_hit(2, loudness=-12.0, session="barn"),
            make_hit(3, "kick", session="mill"), make_hit(4, "ride"))  # fmt: skip
    rng = np.random.default_rng(0)
    pool = Pool(hits, rng.normal(size=(4, len(PRODUCTION_NAMES))).astype(np.float32))
    a = score_kit(pool, Kit(name="one", slots={"snare": (1,), "kick": (3,), "ride": (4,)}))
    b = score_kit(pool, Kit(name="two", slots={"snare": (2,), "kick": (3,)}))
    flat = Levels({"snare": 0.0, "kick": 0.0, "ride": 0.0}, -1.0, ())
    found = compare_kits((a, b), {hit.id: hit for hit in hits}, (flat, flat))
    same = [(s.slot, s.same) for s in found.slots]
    assert same == [("kick", True), ("snare", False), ("ride", False)]
    assert found.slots[1].differences == ("8 dB louder",)
    assert "the same in both: kick" in found.lines
    assert "ride: only in one" in found.lines
    assert "snare, two against one: 8 dB louder" in found.lines
