"""Faults and coverage on the page, on the Python side."""

from __future__ import annotations

from catalog.web.state import page
from catalog.web.views import actions
from catalog.web.views.review.coverage import list_text
from tests.web.test_views import open_part, sent, shown


def test_faults_are_shown_with_their_spot_and_dismissed_for_good(own):
    app = open_part("Recordings", faults_open=True)
    faults = page().catalog.review.faults()
    rows = sent(app, "faults")["rows"]
    assert [row["kind"] for row in rows] == [fault.kind for fault in faults[: len(rows)]]
    assert all(0 <= row["from_s"] <= row["to_s"] <= row["length_s"] for row in rows)
    actions.ACTIONS["dismiss"](
        page().catalog, {"op": "dismiss", "id": rows[0]["id"], "kind": rows[0]["kind"]}
    )
    left = page().catalog.review.faults()
    assert (rows[0]["id"], rows[0]["kind"]) not in {(f.hit_id, f.kind) for f in left}


def test_coverage_is_drawn_and_told(own):
    app = open_part("Recordings", coverage_open=True)
    coverage = page().catalog.review.coverage()
    assert "to record" in shown(app)
    text = list_text(coverage.bins, [hole.words for hole in coverage.gaps])
    assert text.count("[ ] ") == len(coverage.gaps)
