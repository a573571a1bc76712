"""Estimated roles follow the nearest hit whose role the user set."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.search.table import nearest_example_roles


def test_hits_near_an_example_take_its_role_and_far_ones_do_not():
    points = np.array([[0.0], [0.5], [9.0], [4.6]], np.float32)
    examples, example_roles = np.array([[0.0], [5.0]]), np.array([3, 7])
    roles, sure = nearest_example_roles(points, examples, example_roles, radius=1.0)
    assert roles.tolist() == [3, 3, -1, 7]
    assert sure == pytest.approx([1.0, 0.75, 0.0, 0.8])


def test_without_examples_nothing_changes():
    no_example = np.zeros((0, 2)), np.zeros(0, int)
    roles, sure = nearest_example_roles(np.zeros((3, 2)), *no_example, radius=1.0)
    assert roles.tolist() == [-1, -1, -1]
    assert sure.tolist() == [0.0, 0.0, 0.0]
