"""Explanations of how a hit fits: the right side, the right amount, the right unit."""

import numpy as np
import pytest

from catalog.features.production import PRODUCTION_NAMES
from catalog.kit.fill.coherence import compute_traits
from catalog.kit.fill.explain import N_LINES, TRACE_WORDS, explain_kit, explain_sessions
from tests.kit.drums import make_hit

ROLES = ("kick", "snare", "crash", "ride")
N = 2000  # so many that the roles share their means and spreads


def why(traces: dict[str, list[float]], **changes: object) -> tuple[str, ...]:
    """Lines for the kick of four hits that differ in these traces, amid many that spread them."""
    rng = np.random.default_rng(0)
    hits = tuple(make_hit(i, ROLES[i % 4], **changes) for i in range(N))
    production = np.ones((N, len(PRODUCTION_NAMES)), dtype=np.float32)
    for name, values in traces.items():
        spread = values[1] + rng.normal(scale=4.0, size=N)  # dB
        if values[1] > 0:
            spread = values[1] * 2 ** rng.normal(scale=0.5, size=N)
        production[:, PRODUCTION_NAMES.index(name)] = np.concatenate([values, spread[4:]])
    rows = {role: i for i, role in enumerate(ROLES)}
    return explain_kit(hits, compute_traits(hits, production), rows)["kick"]


@pytest.mark.parametrize(
    ("name", "values", "start", "end"),
    [
        ("late_decay_s", [1.0, 0.5, 0.5, 0.5], "tail 0.", "s longer than the others"),
        ("late_decay_s", [0.2, 0.5, 0.5, 0.5], "tail 0.", "s shorter than the others"),
        ("floor_lowest_db", [-60, -72, -72, -72], "noise floor", "dB higher than the others"),
        ("edge55_hz", [6000.0, 15e3, 15e3, 15e3], "upper end ", "kHz lower than the others"),
        ("band5000_db", [-20, -32, -32, -32], "tone from 5 to 8 kHz", "stronger than the others"),
        ("late_db", [-40, -25, -25, -25], "late sound", "dB weaker than the others"),
        ("balance_db", [-9, -1, -1, -1], "place between", "dB further right than the others"),
    ],
)  # fmt: skip
def test_the_greatest_difference_comes_first_with_its_unit(name, values, start, end):
    lines = why({name: values})
    assert lines[0].startswith(start)
    assert lines[0].endswith(end)
    assert len(lines) <= N_LINES


def test_the_difference_has_the_size_that_was_put_in_and_agreement_its_tolerance():
    line = why({"floor_lowest_db": [-60.0, -72.0, -72.0, -72.0]})[0]
    assert int(line.split()[2]) == pytest.approx(12, abs=1)
    assert all("within" in line for line in why({"late_decay_s": [0.5] * 4}))


def test_a_role_that_is_an_estimate_comes_first():
    lines = why({"width": [0.1] * 4}, role_confidence=0.3)
    assert lines[0].startswith("its role is an estimate (kick, 30 %)")


def test_sessions_are_counted_for_the_readme():
    hits = {i: make_hit(i, session=name) for i, name in enumerate(("a", "a", "b", ""))}
    assert explain_sessions(hits, (0, 1)) == "all from one session"
    assert explain_sessions(hits, (0, 2)) == "from 2 sessions"
    assert explain_sessions(hits, (0, 3)) == "not every hit has a known session"


def test_every_trace_has_words():
    assert set(TRACE_WORDS) == set(PRODUCTION_NAMES)
    assert all(len(set(words)) == 3 for words in TRACE_WORDS.values())


def test_the_side_of_greatest_cost_comes_first():
    """Twelve bands a little off count more in the choice than one floor that is further off."""
    bands = [name for name in PRODUCTION_NAMES if name.startswith("band")]
    traces = {name: [-57.0, -60.0, -60.0, -60.0] for name in bands}
    lines = why(traces | {"floor_lowest_db": [-56.0, -60.0, -60.0, -60.0]})
    assert lines[0].startswith("tone from")
    assert lines[2].startswith("noise floor")
