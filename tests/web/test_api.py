from __future__ import annotations

import io
import json
import socket
import zipfile

import numpy as np
import pytest

from catalog.kit.model import Kit
from catalog.web.api.responses import read_ids
from catalog.web.api.security import is_own_request
from catalog.web.columns import stamp_hit
from catalog.web.payloads import N_PEAKS, PREVIEW_SR, SCALES
from catalog.web.server import bind_socket, page_options
from catalog.web.state import page


def first_hit():
    return page().catalog.hits()[0]


def test_a_foreign_host_is_refused(client):
    hit = first_hit()
    for host in ("evil.example", "127.0.0.1.evil.example", "[::1].example"):
        assert client.get(f"/api/about/{hit.id}", headers={"Host": host}).status_code == 400
    assert client.get(f"/api/about/{hit.id}").status_code == 200


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
def test_only_the_page_itself_may_ask(method, headers, own):
    assert is_own_request(method, headers) is own


def test_another_site_gets_no_audio(client):
    hit = first_hit()
    url = f"/api/hit/{hit.id}/{stamp_hit(hit)}.wav"
    assert client.get(url, headers={"Origin": "https://evil.example"}).status_code == 403


def test_the_bytes_of_a_hit_are_those_of_the_catalog_and_may_be_kept(client):
    hit = first_hit()
    answer = client.get(f"/api/hit/{hit.id}/{stamp_hit(hit)}.wav")
    assert answer.content == page().catalog.wav(hit.id)
    assert answer.headers["cache-control"] == "private, max-age=31536000, immutable"
    assert answer.headers["content-type"] == "audio/wav"


def test_a_hit_under_an_outdated_address_is_not_kept(client):
    answer = client.get(f"/api/hit/{first_hit().id}/1.wav")
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/api/hit/..%2f..%2fetc%2fpasswd/1.wav",
        "/api/hit/%2Fetc%2Fpasswd/1.wav",
        "/api/about/1;ls",
        "/api/about/-1",
        "/api/about/999999",
        "/api/near/999999",
        "/api/export/unknown",
        "/api/points/0",
    ],
)
def test_nothing_but_a_known_id_is_answered(client, path):
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("ids", ["", "a", "1,,2", "1.5", ",".join(map(str, range(65)))])
def test_a_batch_takes_one_to_64_ids(client, ids):
    assert client.get("/api/preview", params={"ids": ids}).status_code == 400
    assert client.get("/api/peaks", params={"ids": ids}).status_code == 400


def test_ids_are_read_once_each():
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
    heard = np.frombuffer(body, "<i2", n, 16)[early] / 32767
    np.testing.assert_allclose(heard, audio.samples[early, 0], atol=1 / 32767)  # one 16-bit step


def test_outlines_reach_their_maximum_and_an_unknown_hit_is_flat(client):
    body = client.get("/api/peaks", params={"ids": f"{first_hit().id},424242"}).content
    known, unknown = np.frombuffer(body, np.int8).reshape(2, N_PEAKS, 2)
    assert np.abs(known).max() == 127
    assert (known[:, 1] >= known[:, 0]).all()
    assert not unknown.any()


def test_neighbors_come_with_reasons_and_without_paths(client, used):
    hit = first_hit()
    near = client.get(f"/api/near/{hit.id}").json()
    assert [row["id"] for row in near["similar"]] == [
        match.hit_id for match in page().catalog.similar(hit.id, 10)
    ]
    assert all(isinstance(why, str) for row in near["alternates"] for why in row["why"])
    assert str(used.folder) not in json.dumps(near)
    elsewhere = client.get(f"/api/near/{hit.id}", params={"elsewhere": "1"}).json()["similar"]
    assert {row["session"] for row in elsewhere} == {"Shed second sitting"}


def test_a_kit_is_sent_as_zip_and_only_under_its_secret_word(client):
    kick = next(hit for hit in page().catalog.hits() if hit.role == "kick")
    word = page().offer_download(Kit("mine", {"kick": (kick.id,)}))
    answer = client.get(f"/api/export/{word}")
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert any(name.endswith(".sfz") for name in names)
    assert any(name.endswith(".wav") for name in names)
    assert all(name.startswith("kit/") and ".." not in name for name in names)
    assert len(word) >= 20


def test_the_page_is_bound_to_this_machine_and_asks_nobody():
    options = page_options()
    assert options["server.address"] == "127.0.0.1"
    assert options["browser.gatherUsageStats"] is False
    with bind_socket() as sock:
        assert sock.getsockname()[0] == "127.0.0.1"
        assert sock.proto == socket.IPPROTO_TCP  # else small answers wait for the last packet
        socket.create_connection(sock.getsockname(), timeout=5).close()  # nobody is turned away


def test_every_option_of_the_page_is_known_to_streamlit():
    from streamlit import config

    for name in page_options():
        assert name in config._config_options_template, name
