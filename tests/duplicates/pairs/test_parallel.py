"""Several processes classify pairs as one does, in order, and a dead worker loses nothing."""

from __future__ import annotations

from concurrent.futures.process import BrokenProcessPool
from functools import partial
from itertools import combinations

import pytest
import soundfile as sf

from catalog.audio.decode import decode_file
from catalog.duplicates.pairs.decider import PairDecider
from catalog.duplicates.pairs.parallel import classify_many
from catalog.errors import CatalogError
from catalog.library.store.records.cache import DecisionCache
from catalog.matching.verdict import classify_pair
from catalog.matching.views import prepare_views
from catalog.models import Verdict
from tests.duplicates.test_groups import make_hit
from tests.signals import SR, drum_stroke

N = len(drum_stroke(120))


def no_mix(hit) -> str:
    return ""


def prepare(hit):
    try:
        return prepare_views(decode_file(hit.path))
    except CatalogError:
        return None


@pytest.fixture
def hits(tmp_path):
    """Three strokes of one drum, and the second of them at a lower level."""
    strokes = [drum_stroke(120, seed=s) for s in range(3)]
    sounds = [*strokes, 0.25 * strokes[1]]
    for at, sound in enumerate(sounds, start=1):
        sf.write(tmp_path / f"{at}.wav", sound, SR, "FLOAT")
    return [make_hit(at, path=tmp_path / f"{at}.wav", stop=N) for at in (1, 2, 3, 4)]


def test_several_processes_give_the_same_verdicts_as_one(hits):
    pairs = list(combinations(hits, 2))
    together = list(classify_many(pairs, no_mix, n_jobs=2, max_serial=0))
    alone = [classify_pair(prepare(a), prepare(b)) for a, b in pairs]
    assert [j.verdict for j in together] == [j.verdict for j in alone]
    assert [j.logit for j in together] == pytest.approx([j.logit for j in alone], abs=1e-3)
    found = [pair for pair, j in zip(pairs, together, strict=True) if j.verdict == Verdict.COPY]
    assert [(a.id, b.id) for a, b in found] == [(2, 4)]


def test_a_missing_file_is_no_copy_and_no_decision_is_stored(hits):
    hits[3].path.unlink()
    decider = PairDecider(
        prepare, DecisionCache(), partial(classify_many, mix_of=no_mix, n_jobs=2, max_serial=0)
    )
    answers = [d.answer for d in decider.decide_many([(hits[1], hits[3]), (hits[0], hits[1])])]
    assert answers == [Verdict.OTHER, Verdict.OTHER]
    assert list(decider.decisions.made) == [decider_key(hits[0], hits[1])]


def test_a_file_replaced_between_two_runs_is_classified_again(hits):
    pair = [(hits[0], hits[1])]
    (before,) = classify_many(pair, no_mix)
    sf.write(hits[1].path, 0.5 * drum_stroke(120, seed=0), SR, "FLOAT")
    replaced = make_hit(2, path=hits[1].path, stop=N, content_hash="another")
    (after,) = classify_many([(hits[0], replaced)], no_mix)
    assert (before.verdict, after.verdict) == (Verdict.OTHER, Verdict.COPY)


def test_known_decisions_are_not_computed_again(hits):
    classified = []

    def classify(pairs):
        classified.extend((a.id, b.id) for a, b in pairs)
        return classify_many(pairs, no_mix)

    decisions = DecisionCache()
    pairs = list(combinations(hits, 2))
    first = list(PairDecider(prepare, decisions, classify).decide_many(pairs[:3]))
    classified.clear()
    every = list(PairDecider(prepare, DecisionCache(decisions.made), classify).decide_many(pairs))
    assert classified == [(a.id, b.id) for a, b in pairs[3:]]
    assert every[:3] == first


def test_when_a_worker_dies_the_rest_is_classified_here(hits):
    def classify(pairs):
        yield from classify_many(pairs[:2], no_mix)
        raise BrokenProcessPool("out of memory")

    pairs = list(combinations(hits, 2))
    answers = [d.answer for d in PairDecider(prepare, DecisionCache(), classify).decide_many(pairs)]
    assert answers == [d.answer for d in PairDecider(prepare).decide_many(pairs)]
    assert answers.count(Verdict.COPY) == 1


def decider_key(first, second):
    kept = DecisionCache()
    kept.add(first, second, object())
    return next(iter(kept.made))
