"""The cut of a take on the page: ends dragged and typed, heard, parted, joined."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog
from catalog.web.columns import stamp_hit
from catalog.web.state import page
from catalog.web.views import actions
from tests.services.test_takes import take_bytes
from tests.web.test_views import open_part, sent


def spans(hits):
    return [(hit.start, hit.stop) for hit in hits]


@pytest.fixture
def take(own):
    """A recording with three strokes among the hits."""
    path = own.folder / "long take.wav"
    path.write_bytes(take_bytes())
    with Catalog.open(own.store) as catalog:
        catalog.scan([own.folder], n_jobs=1)
    return path


def test_the_cut_is_sent_and_what_comes_back_is_done(own, take):
    catalog = page().catalog
    before = catalog.takes.regions(take)
    shown = sent(open_part("Recordings", takes_open=True), "cut")
    assert [(s["id"], s["start"], s["stop"]) for s in shown["strokes"]] == [
        (hit.id, hit.start, hit.stop) for hit in before
    ]
    assert (shown["sr"], shown["n_frames"]) == (before[0].sr, catalog.takes.n_frames(take))
    first, sr = before[0], before[0].sr

    def act(op, **more):
        actions.ACTIONS[op](catalog, {"op": op, "id": first.id, **more})

    act("move", start=round(0.38 * sr), stop=first.stop)
    assert catalog.takes.regions(take)[0].start == round(0.38 * sr)
    act("split", at=(first.start + first.stop) // 2)
    parts = catalog.takes.regions(take)
    assert len(parts) == len(before) + 1
    act("merge", ids=[part.id for part in parts[:2]])
    assert len(catalog.takes.regions(take)) == len(before)
    act("reset")
    assert spans(catalog.takes.regions(take)) == spans(before)
    assert catalog.takes.regions(take)[0].id == first.id


def test_the_wave_of_a_part_is_that_of_the_samples(own, take, own_client):
    catalog = page().catalog
    hit = catalog.takes.regions(take)[1]
    address = f"/api/wave/{hit.id}/{stamp_hit(hit)}"
    answer = own_client.get(f"{address}/{hit.start}-{hit.stop}")
    wave = np.frombuffer(answer.content, np.int8).reshape(-1, 2).astype(float)
    samples = catalog.audio(hit.id).samples[:, 0]
    loudest = int(np.abs(samples).argmax())
    assert np.abs(wave).max() == 127
    at = int(np.abs(wave).max(axis=1).argmax())
    assert abs(at - loudest * len(wave) / len(samples)) <= 1
    assert own_client.get(f"{address}/{hit.stop}-{hit.start}").status_code == 400
    assert own_client.get("/api/wave/999999/1/0-10").status_code == 404
    assert own_client.get(f"/api/wave/{10**30}/1/0-10").status_code == 404
