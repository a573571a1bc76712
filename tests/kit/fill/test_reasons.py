"""Reasons for the hits of a kit: at most three, in a musician's words, each true of the numbers."""

from __future__ import annotations

import re

import numpy as np
import pytest

from catalog.features.production import PRODUCTION_NAMES
from catalog.kit.fill.coherence import compute_traits
from catalog.kit.fill.explain import TRACE_WORDS
from catalog.kit.fill.reasons import BRIGHT_BANDS, COMPARISONS, MAX_REASONS, give_reasons
from tests.kit.drums import make_hit

ROLES = ("kick", "snare", "tom", "tom", "hat_closed", "hat_open", "crash")
SLOTS = ("kick", "snare", "tom_low", "tom_mid", "hat_closed", "hat_open", "crash")
COLUMN = {name: i for i, name in enumerate(PRODUCTION_NAMES)}


def random_kit(seed: int):
    """A pool of 70 hits of random numbers in the range of real ones, and a kit of seven of them."""
    rng = np.random.default_rng(seed)
    hits = tuple(
        make_hit(
            i, ROLES[i % 7],
            session=str(rng.choice(["", "a", "b"])),
            drum=str(rng.choice(["", "x open", "x closed", "y"])),
            role_confidence=float(rng.choice([0.4, 1.0])),
            descriptors={
                "body_hz": float(rng.uniform(50, 300)), "peak_db": float(rng.uniform(-12, 0)),
                "floor_db": float(rng.choice([np.nan, rng.uniform(-85, -35)])),
            },
        )
        for i in range(70)
    )  # fmt: skip
    production = rng.normal(size=(70, len(PRODUCTION_NAMES)))
    production[:, COLUMN["late_decay_s"]] = 0.5 * 2 ** rng.normal(scale=0.7, size=70)
    production[:, COLUMN["width"]] = np.abs(rng.normal(0, 0.3, size=70)) * rng.integers(0, 2)
    rows = {slot: int(rng.integers(10)) * 7 + at for at, slot in enumerate(SLOTS)}
    return hits, production.astype(np.float32), rows


def numbers(hits, production, traits, rows, name):
    """Return the four numbers of a slot beside the median of the others, computed anew."""
    others = [row for slot, row in rows.items() if slot != name]
    row = rows[name]
    bands = [COLUMN[band] for band in BRIGHT_BANDS]
    bright = traits.z[:, bands].mean(axis=1)
    decay = traits.z[:, COLUMN["late_decay_s"]]  # in deviations from hits of the role
    width = production[:, COLUMN["width"]]
    noise = np.array([noise_beside_peak(hit) for hit in hits])
    return {
        "tail": float(decay[row] - np.median(decay[others])),
        "bright": float(bright[row] - np.median(bright[others])),
        "noise": float(noise[row] - np.median(noise[others])),
        "own noise": float(noise[row]),
        "width": float(width[row] - np.median(width[others])),
    }


def noise_beside_peak(hit) -> float:
    """Return the noise in dB under the peak, or -66 where it is lower or none is seen."""
    level = hit.descriptors["floor_db"] - hit.descriptors["peak_db"]
    return max(level, -66.0) if np.isfinite(level) else -66.0


TRUE = {
    "fits this kit in decay": lambda d: abs(d["tail"]) <= 0.61,
    "fits this kit in brightness": lambda d: abs(d["bright"]) <= 0.61,
    "fits this kit in background noise": lambda d: abs(d["noise"]) <= 3.1 and d["own noise"] > -66,
    "fits this kit in stereo image": lambda d: abs(d["width"]) <= 0.13,
    "but rings long for this kit": lambda d: d["tail"] > 1.0,
    "but rings short for this kit": lambda d: d["tail"] < -1.0,
    "but bright for this kit": lambda d: d["bright"] > 1.0,
    "but dark for this kit": lambda d: d["bright"] < -1.0,
    "but noisier than the others": lambda d: d["noise"] > 5.9 and d["own noise"] > -66,
    "but wider in stereo than the others": lambda d: d["width"] > 0.2,
    "but narrower in stereo than the others": lambda d: d["width"] < -0.2,
}


def sentences(reason: str) -> list[str]:
    """Return "fits this kit in decay and brightness" as two sentences."""
    start = "fits this kit in "
    if not reason.startswith(start):
        return [reason]
    return [start + part for part in reason.removeprefix(start).split(" and ")]


@pytest.mark.parametrize("seed", range(40))
def test_every_reason_is_true_of_the_numbers(seed):
    hits, production, rows = random_kit(seed)
    traits = compute_traits(hits, production)
    for name, reasons in give_reasons(hits, traits, rows).items():
        assert 1 <= len(reasons) <= MAX_REASONS
        assert [r.startswith("but ") for r in reasons] == sorted(
            r.startswith("but ") for r in reasons
        )
        measured, hit = numbers(hits, production, traits, rows, name), hits[rows[name]]
        by_word = {slot.replace("_", " "): hits[row] for slot, row in rows.items()}
        by_word |= {
            f"{slot.split('_')[-1]} {slot.split('_')[0]}": hits[row] for slot, row in rows.items()
        }
        for reason in reasons:
            if sentences(reason)[0] in TRUE:
                assert all(TRUE[part](measured) for part in sentences(reason)), reason
            elif reason.startswith("from the same session as"):
                mates = [m for word, m in by_word.items() if f"the {word}" in reason]
                assert mates
                assert {m.session for m in mates} == {hit.session} != {""}
            elif reason == "from the session of all the others":
                assert {hits[row].session for row in rows.values()} == {hit.session}
            elif reason == "from one set with the other toms":
                toms = {hits[rows[slot]].session for slot in ("tom_low", "tom_mid")}
                assert toms == {hit.session} != {""}
            elif reason.startswith("the same cymbals as"):
                assert hit.drum
                assert hit.session
            elif "estimate" in reason:
                assert hit.role_confidence == 0.4
            else:
                assert re.search(
                    r"^(an? [a-z ]+|\d+ semitones|has the same note) (under|over|as) the \w+ tom$"
                    "|pitch is unknown|best fit|only",
                    reason,
                )


def test_no_name_of_a_measurement_reaches_a_person():
    labels = {label for label, _, _ in TRACE_WORDS.values()} | set(PRODUCTION_NAMES)
    labels -= {"tail", "file", "peak"}  # words that musicians use as well
    for seed in range(20):
        hits, production, rows = random_kit(seed)
        lines = give_reasons(hits, compute_traits(hits, production), rows).values()
        text = " ".join(line for reasons in lines for line in reasons)
        assert not [label for label in labels if re.search(rf"\b{re.escape(label)}\b", text)]
        assert not re.search(r"\d+ (dB|Hz|kHz)", text)


def test_every_sentence_of_a_comparison_is_covered_by_this_test():
    told = {
        text
        for c in COMPARISONS
        for text in (f"fits this kit in {c.like}", f"but {c.more}", c.less and f"but {c.less}")
    }
    assert told - {""} == set(TRUE)


def test_a_locked_hit_is_not_called_the_best_fit():
    hits = tuple(make_hit(i, role) for i, role in enumerate(("kick", "snare", "snare")))
    traits = compute_traits(hits, np.zeros((3, len(PRODUCTION_NAMES)), np.float32))
    rows = {"kick": 0}
    assert give_reasons(hits, traits, rows, locked=["kick"]) == {"kick": ("your choice",)}
    assert give_reasons(hits, traits, rows) == {"kick": ("the only kick hit",)}


def test_noise_that_nobody_hears_is_no_reason():
    """Noise 70 dB under the peak beside none: common practice, no source."""
    kit = tuple(
        make_hit(i, role, descriptors={"peak_db": 0.0, "floor_db": floor})
        for i, (role, floor) in enumerate([("kick", -70.0), ("snare", np.nan), ("crash", np.nan)])
    )
    traits = compute_traits(kit, np.zeros((3, len(PRODUCTION_NAMES)), np.float32))
    lines = give_reasons(kit, traits, {"kick": 0, "snare": 1, "crash": 2})
    assert "nois" not in str(lines)
