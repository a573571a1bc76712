from __future__ import annotations

import json
import socket

import numpy as np
import pytest
from streamlit import config

from catalog.web.api.responses import read_ids
from catalog.web.api.security.request_checks import is_own_request
from catalog.web.columns import stamp_hit
from catalog.web.payloads import N_PEAKS, PREVIEW_SR, SCALES
from catalog.web.server.start import bind_socket, page_options
from catalog.web.state import page


def first_hit():
    return page().catalog.hits()[0]


def test_a_foreign_host_is_refused(client):
    hit = first_hit()
    for host in ("evil.example", "127.0.0.1.evil.example", "[::1].example"):
        assert client.get(f"/api/about/{hit.id}", headers={"Host": host}).status_code == 400
    assert client.get(f"/api/about/{hit.id}").status_code == 200


def test_a_hit_is_sent_with_its_microphones(client):
    hit = first_hit()
    (mic,) = client.get(f"/api/about/{hit.id}").json()["microphones"]
    assert (mic["id"], mic["stamp"]) == (hit.id, stamp_hit(hit))
    assert [mic[key] for key in ("delay_ms", "polarity", "level_db")] == [0.0, 1, 0.0]
    assert not any(str(hit.path.parent) in str(value) for value in mic.values())


@pytest.mark.parametrize(
    ("method", "headers", "own"),
    [
        ("GET", {"host": "127.0.0.1:1"}, True),
        ("GET", {"host": "127.0.0.1:1", "origin": "http://127.0.0.1:1"}, True),
        ("GET", {"host": "127.0.0.1:1", "origin": "https://evil.example"}, False),
        ("GET", {"host": "127.0.0.1:1", "origin": "null"}, False),
        ("GET", {"host": "127.0.0.1:1", "sec-fetch-site": "cross-site"}, False),
        ("POST", {"host": "127.0.0.1:1"}, False),
        ("POST", {"host": "127.0.0.1:1", "origin": "http://127.0.0.1:2"}, False),
        ("POST", {"host": "127.0.0.1:1", "origin": "http://127.0.0.1:1"}, True),
    ],
)
def test_only_requests_of_the_page_itself_are_its_own(method, headers, own):
    assert is_own_request(method, headers) is own


def test_audio_is_sent_to_the_page_alone_and_kept_under_its_present_address(client):
    hit = first_hit()
    url = f"/api/hit/{hit.id}/{stamp_hit(hit)}.wav"
    assert client.get(url, headers={"Origin": "https://evil.example"}).status_code == 403
    answer = client.get(url)
    assert answer.content == page().catalog.wav(hit.id)
    assert answer.headers["cache-control"] == "private, max-age=31536000, immutable"
    assert answer.headers["content-type"] == "audio/wav"
    outdated = client.get(f"/api/hit/{hit.id}/1.wav")
    assert outdated.status_code == 200
    assert outdated.headers["cache-control"] == "no-store"


def test_only_known_ids_are_answered_in_batches_of_up_to_64(client):
    for path in (
        "hit/..%2f..%2fetc%2fpasswd/1.wav", "hit/%2Fetc%2Fpasswd/1.wav", "about/1;ls", "about/-1",
        "about/999999", "near/999999", "export/unknown",
    ):  # fmt: skip
        assert client.get(f"/api/{path}").status_code == 404, path
    for ids in ("", "a", "1,,2", "1.5", ",".join(map(str, range(65)))):
        assert client.get("/api/preview", params={"ids": ids}).status_code == 400
        assert client.get("/api/peaks", params={"ids": ids}).status_code == 400
    assert read_ids("3,1,3") == [3, 1]


def test_points_hold_every_hit_at_its_place(client):
    pack = page().points()
    body = client.get(f"/api/points/{pack.version}").content
    n = int(np.frombuffer(body, "<u4", 1)[0])
    hits = page().catalog.hits()
    assert n == len(hits) == 23
    assert np.frombuffer(body, "<i4", n, 4).tolist() == [hit.id for hit in hits]
    x = np.frombuffer(body, "<f4", n, 4 + 8 * n)
    assert x.min() >= 0
    assert x.max() <= 1
    legend = json.loads(body[4 + n * (5 * 4 + 2 + 1 + 1 + len(SCALES)) :])
    assert legend["scales"] == list(SCALES)
    assert legend["sessions"] == ["Attic first sitting", "Shed second sitting"]


def test_previews_are_the_first_moments_of_the_hit(client):
    hit = first_hit()
    body = client.get("/api/preview", params={"ids": f"{hit.id},424242"}).content
    sr, count, n, n_unknown = np.frombuffer(body, "<u4", 4)
    assert (sr, count, n_unknown) == (PREVIEW_SR, 2, 0)
    audio = page().catalog.audio(hit.id)
    early = slice(0, 1000)
    preview = np.frombuffer(body, "<i2", n, 16)[early] / 32767
    np.testing.assert_allclose(preview, audio.samples[early, 0], atol=1 / 32767)  # one 16-bit step


def test_outlines_reach_their_maximum_and_an_unknown_hit_is_flat(client):
    body = client.get("/api/peaks", params={"ids": f"{first_hit().id},424242"}).content
    known, unknown = np.frombuffer(body, np.int8).reshape(2, N_PEAKS, 2)
    assert np.abs(known).max() == 127
    assert (known[:, 1] >= known[:, 0]).all()
    assert not unknown.any()


def test_the_waveform_of_a_region_has_its_peak_at_the_right_place(take, own_client):
    catalog = page().catalog
    hit = catalog.takes.regions(take)[1]
    url = f"/api/wave/{hit.id}/{stamp_hit(hit)}"
    answer = own_client.get(f"{url}/{hit.start}-{hit.stop}")
    heights = np.abs(np.frombuffer(answer.content, np.int8).reshape(-1, 2).astype(float)).max(
        axis=1
    )
    samples = np.abs(catalog.audio(hit.id).samples[:, 0])
    assert heights.max() == 127
    assert abs(heights.argmax() - samples.argmax() * len(heights) / len(samples)) <= 1
    assert own_client.get(f"{url}/{hit.stop}-{hit.start}").status_code == 400
    for unknown in (999999, 10**30):
        assert own_client.get(f"/api/wave/{unknown}/1/0-10").status_code == 404


def test_neighbors_come_with_reasons_and_without_paths(client, used):
    hit = first_hit()
    near = client.get(f"/api/near/{hit.id}").json()
    alternates = [row["id"] for row in near["alternates"]]
    similar = [match.hit_id for match in page().catalog.similar(hit.id, 20)]
    others = [i for i in similar if i not in alternates]
    assert [row["id"] for row in near["similar"]] == others[:10]
    assert {(row["session"], row["drum"]) for row in near["alternates"]} == {
        (hit.session, hit.drum)
    }
    assert all(isinstance(why, str) for row in near["alternates"] for why in row["why"])
    assert str(used.folder) not in json.dumps(near)
    elsewhere = client.get(f"/api/near/{hit.id}", params={"from": "elsewhere"}).json()
    assert {row["session"] for row in elsewhere["similar"]} == {"Shed second sitting"}
    assert not elsewhere["alternates"]
    here = client.get(f"/api/near/{hit.id}", params={"from": "session"}).json()["similar"]
    assert {row["session"] for row in here} == {hit.session}


def test_a_question_is_answered_for_the_points_that_are_shown(client):
    now = client.get("/api/now").json()
    assert now["points"] == page().points().version
    assert client.get(f"/api/rows/{now['rows']}").content == page().rows().body
    asked = {"query": "snare shed", "points": now["points"]}
    found = client.post_json("/api/find", asked)
    assert found.headers["cache-control"] == "no-store"
    mask = found.content
    bits = np.unpackbits(np.frombuffer(mask, np.uint8))[:23].astype(bool)
    names = [page().catalog.hit(int(i)).name for i in page().points().ids[bits]]
    assert sorted(names) == ["snare_1", "snare_2"]
    stale = client.post_json("/api/find", asked | {"points": "x"})
    for answer in (stale, client.get("/api/points/0"), client.get("/api/rows/0")):
        assert (answer.status_code, answer.content) == (204, b"")  # a browser reports no error
    wrong = client.post_json("/api/find", asked | {"query": "length:long"})
    assert (wrong.status_code, b"is not a range" in wrong.content) == (400, True)
    assert client.post_json("/api/find", []).status_code == 400


def test_the_page_is_reachable_from_this_machine_only():
    options = page_options()
    assert options["server.address"] == "127.0.0.1"
    assert options["browser.gatherUsageStats"] is False
    with bind_socket() as sock:
        assert sock.getsockname()[0] == "127.0.0.1"
        assert sock.proto == socket.IPPROTO_TCP  # else small answers wait for the last packet
        socket.create_connection(sock.getsockname(), timeout=5).close()  # a connection is accepted
    assert config._config_options_template.keys() >= options.keys()
