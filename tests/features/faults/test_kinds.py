"""Every kind of fault can be measured."""

from __future__ import annotations

from catalog.features.faults import FAULT_KINDS
from tests.bench.faults import INJECT, OF_TAKES


def test_the_benchmark_has_a_case_for_every_kind():
    assert set(FAULT_KINDS) == {*INJECT, *OF_TAKES}
