"""Copy, not sure, or no: edits of invented strokes, and files with too little in them."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.matching.classifier import Trees, judge_evidence, judge_pair, load_judge
from catalog.matching.evidence import EVIDENCE, Fits
from catalog.matching.views import meet, prepare_recording
from catalog.models import Verdict
from catalog.training.edits import EDITS, applies, apply_edits
from tests.signals import SR, as_frames, drum_stroke


def audio(y: np.ndarray) -> Audio:
    return Audio(as_frames(np.asarray(y, np.float32)), SR, "WAV", "FLOAT")


STROKE = audio(drum_stroke(130, seed=5))
FOUND = [e for e in EDITS if e.kind in ("lossless", "lossy") and applies(e, STROKE)]


@pytest.mark.parametrize("edit", FOUND, ids=lambda edit: edit.name)
def test_an_edited_copy_is_one_both_ways(edit):
    first = prepare_recording(STROKE)
    second = prepare_recording(apply_edits(STROKE, (edit,), rng=np.random.default_rng(1)))
    assert judge_pair(first, second).answer == Verdict.COPY
    assert judge_pair(second, first).answer == Verdict.COPY


def test_what_a_filter_makes_a_copy_is_one_with_curves_too():
    first, told = prepare_recording(STROKE), 0
    for edit in FOUND:
        edited = apply_edits(STROKE, (edit,), rng=np.random.default_rng(1))
        fits = Fits(*meet([(first, prepare_recording(edited))])[0])
        if judge_evidence(fits.evidence(1)).answer == Verdict.COPY:
            assert judge_evidence(fits.evidence()).answer == Verdict.COPY, edit.name
            told += 1
    assert told > len(FOUND) // 2  # of a fit that tells nothing none would be


@pytest.mark.parametrize("seed", range(6, 16))
def test_another_stroke_of_the_same_drum_is_none(seed):
    other = prepare_recording(audio(drum_stroke(130, seed=seed)))
    assert judge_pair(prepare_recording(STROKE), other).answer != Verdict.COPY


def test_six_samples_are_found_again_when_nothing_was_lost():
    six = np.array([0.0, 0.4, -0.3, 0.2, 0.1, -0.05])
    first = prepare_recording(audio(six))
    for other in (-0.1 * six, six + 0.002, np.concatenate([np.zeros(4800), six])):
        assert judge_pair(first, prepare_recording(audio(other))).answer == Verdict.COPY
    other = prepare_recording(audio([0.0, 0.4, 0.3, -0.2, 0.1, 0.05]))
    assert judge_pair(first, other).answer != Verdict.COPY


def test_better_agreement_is_never_less_a_copy():
    trees, copy, unsure = load_judge()
    assert unsure < copy
    rng = np.random.default_rng(0)
    rows = rng.uniform(0, 40, (200, len(EVIDENCE)))
    better = rows.copy()
    at = EVIDENCE.index("mean_db")
    better[:, at] += rng.uniform(0, 5, 200)
    assert (trees.logit(better) >= trees.logit(rows) - 1e-9).all()


def test_trees_as_arrays_say_what_the_library_says():
    # against scikit-learn's own prediction
    from sklearn.ensemble import HistGradientBoostingClassifier

    from catalog.training.judging import as_trees

    rng = np.random.default_rng(3)
    rows = rng.normal(size=(400, 5))
    rows[rng.random(rows.shape) < 0.1] = np.nan
    answer = np.nan_to_num(rows[:, 0]) + np.nan_to_num(rows[:, 2]) ** 2 > 0.7
    model = HistGradientBoostingClassifier(max_iter=30, max_leaf_nodes=8).fit(rows, answer)
    trees: Trees = as_trees(model)
    assert trees.logit(rows) == pytest.approx(model.decision_function(rows), abs=1e-6)


def test_a_dull_setting_takes_the_highs_and_gives_each_stroke_noise_of_its_own():
    from catalog.audio.model import Audio
    from catalog.training.pairs import DULL_HZ, dull_setting

    record = dull_setting(np.random.default_rng(3))
    stroke = Audio(np.zeros((48_000, 1), np.float32), 48_000, "WAV", "FLOAT")
    stroke.samples[4_800] = 1.0  # as much at every frequency
    first, second = (record(stroke).samples[:, 0] for _ in range(2))
    assert not np.array_equal(first, second)
    hz = np.fft.rfftfreq(480, 1 / 48_000)
    power = np.abs(np.fft.rfft(first[4_700:5_180])) ** 2
    assert power[hz > 4 * DULL_HZ[1]].mean() < 0.01 * power[hz < DULL_HZ[0]].max()


@pytest.mark.parametrize(("share", "n_passing"), [(0.0, 0), (0.3, 1), (0.5, 1), (0.75, 3)])
def test_no_more_than_the_share_reaches_the_limit_even_where_values_are_equal(share, n_passing):
    from catalog.training.judging import limit_passed_by

    logits = np.array([5.0, 1.0, 4.0, 4.0])
    assert (logits >= limit_passed_by(logits, share)).sum() == n_passing
