from __future__ import annotations

from catalog.reports import Skipped


def test_skipped_files_are_sorted(store):
    store.files.write_skipped([("/b.wav", 1, 1, "bad"), ("/a.wav", 1, 1, "worse")])
    assert [str(skip.path) for skip in store.files.read_skipped()] == ["/a.wav", "/b.wav"]
    assert isinstance(store.files.read_skipped()[0], Skipped)


def test_writing_a_file_uses_the_index_on_paths(store):
    plan = store.database.read(
        "EXPLAIN QUERY PLAN SELECT id FROM hit WHERE path = ? AND state != 'aside'", ("/a",)
    )
    assert "hit_path" in plan[0][-1]  # else a scan takes longer with each hit in the store


def test_known_files_are_read_from_an_index_alone(store):
    # by SQLite's query plan: the wide rows of hits are not read
    queries = []
    with store.writing(changes_hits=False) as db:
        db.set_trace_callback(queries.append)
        store.files.read_known()
        db.set_trace_callback(None)
    query = next(sql for sql in queries if "FROM hit" in sql)
    plan = " ".join(row[-1] for row in store.database.read("EXPLAIN QUERY PLAN " + query))
    assert "COVERING INDEX hit_path" in plan
    assert "TEMP B-TREE" not in plan  # the index has the order of the query
