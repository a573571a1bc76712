"""Read tables of labels: which rows are used, and the error for a table without any."""

from __future__ import annotations

import pytest

from catalog.errors import ParameterError
from catalog.training.labels import drum_names, group_strokes, read_known_copies, read_labels

TABLE = """path,source,kit,instrument,role,duplicate_of,true_strokes
a.wav,s,k,snare 1,snare,,
b.wav,s,k,snare 1,snare,,
c.wav,s,k,snare 1,snare,a.wav,
d.wav,s,k,noise,triangle,,
e.wav,s,k,clap,clap,,no
"""


def test_rows_that_repeat_a_file_or_have_no_known_role_are_skipped(tmp_path):
    (tmp_path / "labels.csv").write_text(TABLE)
    labels = read_labels(tmp_path / "labels.csv", tmp_path)
    assert [label.path.name for label in labels] == ["a.wav", "b.wav", "e.wav"]
    assert drum_names(labels)[:, 1].tolist() == ["s/k|snare 1", "s/k|snare 1", ""]
    groups = [[path.name for path in paths] for paths in group_strokes(labels).values()]
    assert groups == [["a.wav", "b.wav"], ["e.wav"]]


def test_a_table_without_known_roles_is_refused(tmp_path):
    (tmp_path / "x.csv").write_text("path,kit,instrument,role\na.wav,k,i,triangle\n")
    with pytest.raises(ParameterError, match="no row has a role"):
        read_labels(tmp_path / "x.csv", tmp_path)


def test_known_copies_are_read_from_beside_the_table(tmp_path):
    tables = [(tmp_path / "labels.csv", tmp_path)]
    assert read_known_copies(tables) == []
    (tmp_path / "near_duplicates.csv").write_text("path_a,path_b\na.wav,b.wav\n")
    assert read_known_copies(tables) == [(tmp_path / "a.wav", tmp_path / "b.wav")]
