"""The table of the benches keeps rows that were not measured again, and its benches exist."""

from __future__ import annotations

import pytest

from tests.bench.__main__ import main
from tests.bench.table.figures import BEGIN, END, Figure, write_table


def test_new_rows_replace_those_of_the_same_figure_and_others_stay(tmp_path):
    path = tmp_path / "RESULTS.md"
    path.write_text(f"# Results\n\n{BEGIN}\n{END}\n\nafter\n", "utf-8")
    write_table([Figure("scan", "a", 4.0, 2.0), Figure("map", "b", 0.5, 1.0, "ms")], path)
    write_table([Figure("scan", "a", 3.0, 2.0)], path)
    text = path.read_text("utf-8")
    rows = [line for line in text.splitlines() if line.startswith(("| map", "| scan"))]
    assert [row.split(" | ")[1:5] for row in rows] == [
        ["b", "0.5 ms", "1 ms", "0.50"],
        ["a", "3", "2", "1.50"],
    ]
    assert text.startswith("# Results\n\n")
    assert text.endswith(f"{END}\n\nafter\n")
    assert text.count("| bench | figure |") == 1


def test_a_bench_that_does_not_exist_is_refused(capsys):
    with pytest.raises(SystemExit):
        main(["speeed"])
    assert "no bench is named 'speeed'; known are commands, memory" in capsys.readouterr().err


def test_each_bench_that_runs_alone_is_listed_with_its_purpose(capsys):
    assert main(["--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 20
    assert all(len(line.partition(": ")[2]) > 20 for line in lines)
