"""The cut of a take on the page: drawn, moved, parted, joined."""

from __future__ import annotations

from catalog.page import opened
from tests.page.test_bring import press
from tests.page.test_views import open_part
from tests.test_taking import take_bytes


def spans(hits):
    return [(hit.start, hit.stop) for hit in hits]


def test_a_cut_is_parted_joined_and_found_again_on_the_page(own):
    path = own.folder / "long take.wav"
    path.write_bytes(take_bytes())
    catalog = opened.open_catalog()
    catalog.scan([own.folder], n_jobs=1)
    before = catalog.regions(path)
    app = open_part("Bring in")
    app.session_state["takes_open"] = True
    app.run()
    press(app, "Part in two")
    assert len(catalog.regions(path)) == len(before) + 1
    press(app, "Join with the next")
    assert spans(catalog.regions(path)) == spans(before)
    first = next(field for field in app.number_input if field.label == "Begins at, s")
    first.set_value(0.38).run()
    press(app, "Move its ends")
    assert catalog.regions(path)[0].start == round(0.38 * before[0].sr)
    press(app, "Cut as it was found")
    assert spans(catalog.regions(path)) == spans(before)
    assert catalog.regions(path)[0].id == before[0].id
