"""Copies are grouped and verified against the kept hit; the better file is kept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog.duplicates.groups import NEAREST_SHARE, CopyGroup, Proof, _candidates, group_copies
from catalog.duplicates.pairs.decider import PairDecider
from catalog.duplicates.preference import preference_key, preference_reason
from catalog.features.measure import measure_audio
from catalog.library.store.records.cache import Decision, DecisionCache
from catalog.matching.candidates import find_candidate_pairs, order_pairs, project_embeddings
from catalog.matching.verdict import CERTAIN_LOGIT
from catalog.matching.views import prepare_views
from catalog.models import Certainty, Hit
from tests.matching.hits import as_audio
from tests.signals import drum_stroke


def make_hit(hit_id: int, **changes) -> Hit:
    fields = {
        "id": hit_id, "path": Path(f"/x/{hit_id}.wav"), "start": 0, "stop": 1000, "sr": 48_000,
        "n_channels": 1, "session": "", "drum": "", "microphone": "", "take": "", "role": "tom",
        "role_confidence": 0.9, "role_source": "sound", "container": "WAV", "subtype": "PCM_24",
        "content_hash": str(hit_id),
        "descriptors": {"peak_db": -6.0, "tail_s": 0.7, "floor_db": -80.0},
    }  # fmt: skip
    return Hit(**(fields | changes))


def groups_of(
    sounds: list[np.ndarray], hashes: list[str] | None = None, decisions=None, on_partial=None
):
    audio = [as_audio(y) for y in sounds]
    rows = np.stack([measure_audio(a).embedding for a in audio])
    ids = np.arange(len(sounds)) + 1
    hits = [make_hit(int(i), content_hash=(hashes or [str(k) for k in ids])[i - 1]) for i in ids]
    decider = PairDecider(lambda hit: prepare_views(audio[hit.id - 1]), decisions)
    return group_copies(hits, project_embeddings(rows), decider, on_partial=on_partial).groups


def test_what_was_found_so_far_is_reported_equal_bytes_first():
    strokes = [drum_stroke(120, seed=s) for s in range(4)]
    sounds = [*strokes, strokes[0], *(0.5 * stroke for stroke in strokes[1:])]
    reported: list[list[tuple[int, ...]]] = []
    groups = groups_of(
        sounds,
        ["same", "b", "c", "d", "same", "f", "g", "h"],
        on_partial=lambda part: reported.append([group.members for group in part.groups]),
    )
    assert reported[0] == [(1, 5)]  # before any pair is compared
    counts = [len(part) for part in reported]
    assert counts == sorted(counts)
    assert len(set(counts)) > 1
    assert all(set(part) <= {group.members for group in groups} for part in reported)


def test_copies_are_grouped_and_strokes_are_not():
    strokes = [drum_stroke(120, seed=s) for s in range(5)]
    groups = groups_of([*strokes, -0.2 * strokes[1], 0.5 * strokes[3][200:]])
    assert [(g.keep, g.others) for g in groups] == [(2, (6,)), (4, (7,))]
    assert min(e for g in groups for e in g.evidence) > 0.99


def test_equal_bytes_are_copies_with_full_evidence():
    groups = groups_of([drum_stroke(120), drum_stroke(120)], ["same", "same"])
    assert groups[0].evidence == (1.0,)


def test_a_hit_that_cannot_be_read_is_in_no_group():
    decider = PairDecider(lambda hit: None, DecisionCache())
    assert group_copies([make_hit(1), make_hit(2)], np.zeros((2, 2)), decider).groups == []
    assert not decider.decisions.made  # the files may come back


def test_earlier_decisions_are_not_computed_again():
    strokes = [drum_stroke(120, seed=s) for s in range(3)]
    decisions = DecisionCache()
    groups = groups_of([*strokes, 0.5 * strokes[0]], decisions=decisions)
    assert decisions.made
    known = DecisionCache(decisions.made)
    again = groups_of([*strokes, 0.5 * strokes[0]], decisions=known)
    assert again == groups
    assert not known.made


def test_members_are_verified_against_the_kept_hit_and_never_chained(monkeypatch):
    def chain(decider, a, b):  # 1 is 2 and 2 is 3, but 1 is not 3
        answer = "copy" if abs(a.id - b.id) == 1 else "no"
        return Decision(answer, 0.99, 5.0)

    monkeypatch.setattr(PairDecider, "decide", chain)
    hits = [make_hit(i) for i in (1, 2, 3)]
    groups = group_copies(hits, np.zeros((3, 2)), PairDecider(lambda hit: None)).groups
    assert [(g.keep, g.others) for g in groups] == [(1, (2,))]


BETTER = [
    ({"subtype": "PCM_16"}, {"subtype": "VORBIS", "sr": 96_000}, "not lossy"),
    ({}, {"descriptors": {"peak_db": 0.0, "clip_run": 9, "tail_s": 0.7}}, "not clipped"),
    ({"descriptors": {"peak_db": 0.0, "clip_run": 1}}, {"subtype": "PCM_16"}, "24-bit"),
    ({"sr": 96_000}, {}, "96 kHz"),
    ({"mark": "master", "subtype": "PCM_16"}, {}, "marked master"),
    ({}, {"mark": "no-good", "sr": 96_000}, "other is marked no good"),
    ({"microphone": "OH", "take": "3"}, {}, "more is known"),
    ({"n_channels": 2, "descriptors": {"peak_db": -6, "width": 0.3, "tail_s": 0.7}}, {}, "stereo"),
    ({}, {"sr": 96_000, "subtype": "PCM_16"}, "24-bit"),
    ({}, {"descriptors": {"peak_db": -6.0, "tail_s": 0.7, "floor_db": -60.0}}, "floor 20 dB lower"),
    # lower gain, with the same signal-to-noise ratio
    ({}, {"descriptors": {"peak_db": -12.0, "tail_s": 0.7, "floor_db": -86.0}}, "6 dB louder"),
    ({}, {"path": Path("/x/take (1).wav")}, "name of a copy"),
    ({"descriptors": {"peak_db": -6.0, "tail_s": 1.5, "floor_db": -80.0}}, {}, "0.8 s more tail"),
]


@pytest.mark.parametrize(("better", "worse", "words"), BETTER)
def test_the_better_file_is_kept_with_a_reason(better, worse, words):
    keep, other = make_hit(9, **better), make_hit(1, **worse)
    assert preference_key(keep) < preference_key(other)
    assert words in preference_reason(keep, [other])


def test_without_any_difference_the_first_is_kept():
    assert preference_key(make_hit(1)) < preference_key(make_hit(2))
    assert "first found" in preference_reason(make_hit(1), [make_hit(2)])


@pytest.mark.parametrize(("louder_db", "first"), [(0.4, 1), (1.0, 2)])
def test_a_louder_copy_comes_first_from_a_difference_of_1_db_on(louder_db, first):
    hits = [make_hit(1), make_hit(2)]
    for hit in hits[1:]:
        hit.descriptors["peak_db"] += louder_db
    assert min(hits, key=preference_key).id == first


def test_pairs_of_neighbours_are_decided_one_after_the_other():
    rng = np.random.default_rng(4)
    centers = rng.normal(size=(40, 8), scale=5.0)  # forty drums of sixteen strokes
    points = rng.permutation((centers[:, None] + 0.1 * rng.normal(size=(40, 16, 8))).reshape(-1, 8))
    pairs = rng.permutation(find_candidate_pairs(points))
    ordered = order_pairs(pairs, len(points))
    assert sorted(map(tuple, ordered)) == sorted(map(tuple, pairs))
    kept, n_read = [], 0  # as many hits as are kept ready, the oldest gives way
    for row in ordered.ravel().tolist():
        if row not in kept:
            kept, n_read = [*kept[-63:], row], n_read + 1
    assert n_read < 1.2 * len(points)
    assert len(order_pairs(np.empty((0, 2), int), len(points))) == 0


def test_the_classifier_grades_groups_and_the_share_in_common_does_not(monkeypatch):
    logits = {frozenset((1, 2)): CERTAIN_LOGIT, frozenset((3, 4)): CERTAIN_LOGIT - 0.1}

    def decide(decider, a, b):
        logit = logits.get(frozenset((a.id, b.id)))
        return Decision("no", 0.0, -9.0) if logit is None else Decision("copy", 0.999, logit)

    monkeypatch.setattr(PairDecider, "decide", decide)
    hits = [make_hit(i) for i in range(1, 5)]
    groups = group_copies(hits, np.zeros((4, 2)), PairDecider(lambda hit: None)).groups
    assert [group.certainty for group in groups] == [Certainty.CERTAIN, Certainty.LIKELY]
    assert [group.likely for group in groups] == [(), (4,)]


def test_a_group_is_as_certain_as_its_least_certain_member():
    proofs = {5: Proof(1.0), 7: Proof(0.99, is_certain=False)}
    group = CopyGroup.from_proofs(2, proofs, "kept")
    assert (group.others, group.evidence, group.likely) == ((5, 7), (1.0, 0.99), (7,))
    assert group.certainty == Certainty.LIKELY
    assert group.proofs == tuple(proofs.values())


def test_the_nearest_pairs_are_decided_first_and_each_once():
    rng = np.random.default_rng(3)
    points = np.repeat(rng.normal(size=(300, 4)), 2, axis=0).astype(np.float32)
    points += 0.3 * rng.normal(size=points.shape).astype(np.float32)
    points[100], points[401] = points[101] + 1e-4, points[400]  # two pairs, nearly the same
    pairs, nearest_first = _candidates(points), find_candidate_pairs(points)
    n_first = int(NEAREST_SHARE * len(pairs))
    assert n_first > 5
    assert {tuple(sorted(pair)) for pair in pairs[:n_first].tolist()} == {
        tuple(pair) for pair in nearest_first[:n_first].tolist()
    }
    assert {(100, 101), (400, 401)} <= {tuple(sorted(pair)) for pair in pairs[:n_first].tolist()}
    assert sorted(map(sorted, pairs.tolist())) == sorted(map(sorted, nearest_first.tolist()))
