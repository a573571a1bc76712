"""Who may use the page: the browser that opened the printed address, and nobody else."""

from __future__ import annotations

import http.client
import subprocess
import sys
import time
from http.cookies import SimpleCookie
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from catalog.web.api.security.access import Access, cookie_name
from catalog.web.api.security.policy import security_headers
from catalog.web.api.security.request_checks import HEALTH
from tests.web.visits import find_address, serve

ROOT = Path(__file__).parents[4]
SOCKET = "_stcore/stream"
PATHS = (
    "/", "/index.html", "/favicon.png", "/static/js/x.js", "/api/kit", "/api/nowhere", "/media/x",
    "/_stcore/host-config", "/_stcore/metrics", "/_stcore/upload_file/a/b", "/component/x/y",
    "/_stcore/bidi-components/x/y", "/_stcore/script-health-check",
)  # fmt: skip


def ask(
    address: str, path: str, *, method: str = "GET", **headers: str
) -> http.client.HTTPResponse:
    """Send one request as it is; wait for a server that has printed its address only."""
    parts = urlsplit(address)
    for _ in range(100):
        connection = http.client.HTTPConnection("127.0.0.1", parts.port, timeout=20)
        try:
            connection.request(method, path, headers=headers)
        except ConnectionRefusedError:
            time.sleep(0.1)
            continue
        response = connection.getresponse()
        response.body = response.read()
        connection.close()
        return response
    raise AssertionError("the server does not listen")


def enter(address: str) -> str:
    """Open the printed address and return the cookie that it sets, as a request sends it."""
    query = urlsplit(address).query
    response = ask(address, f"/?{query}&part=Kit&a=%2F%2Fb")
    assert response.status == 303
    assert response.headers["Location"] == "/?part=Kit&a=%2F%2Fb"  # without the token
    assert "no-store" in response.headers["Cache-Control"]
    [(name, morsel)] = SimpleCookie(response.headers["Set-Cookie"]).items()
    assert name == f"catalog-{urlsplit(address).port}"
    assert morsel["httponly"]
    assert morsel["samesite"] == "strict"
    assert morsel["path"] == "/"
    assert not any(morsel[name] for name in ("domain", "expires", "max-age"))
    return f"{name}={morsel.value}"


def try_socket(address: str, origin: str | None, cookie: str | None, **headers: str) -> None:
    parts = urlsplit(address)
    extra = headers | ({"Cookie": cookie} if cookie else {})
    url = f"ws://{parts.netloc}/{SOCKET}"
    with connect(
        url, origin=origin, additional_headers=extra, subprotocols=["streamlit"], open_timeout=20
    ):
        pass


@pytest.fixture(scope="module")
def address(scanned):
    with serve(scanned.store) as address:
        yield address


@pytest.mark.slow
def test_every_route_requires_the_cookie_of_this_start(address):
    cookie = enter(address)
    value, port = cookie.split("=", 1)[1], urlsplit(address).port
    token = urlsplit(address).query.split("=")[1]
    assert value != token
    wrong = [f"catalog-{port}={key}" for key in ("", value[:-1], token, Access().key)]
    wrong += ["", f"catalog-{port + 1}={value}", f"catalog={value}"]
    for path in PATHS:
        for bad in wrong:
            response = ask(address, path, Cookie=bad)
            assert response.status == 403, (path, bad)
            assert b"address that the terminal shows" in response.body
        assert ask(address, path, Cookie=cookie).status != 403, path
        assert ask(address, path, Cookie=f"catalog-{port}=x; a=b; {cookie}").status != 403, path
    for path in (f"/?token={token}x", "/?token=", f"/index.html?token={token}"):
        assert ask(address, path).status == 403
    assert ask(address, f"/?token={token}", method="POST").status == 403
    assert ask(address, HEALTH).status == 200
    assert ask(address, HEALTH, method="POST").status == 403


@pytest.mark.slow
def test_another_host_or_origin_is_refused_even_with_the_cookie(address):
    cookie, port = enter(address), urlsplit(address).port
    assert ask(address, "/", Cookie=cookie, Host=f"localhost:{port}").status == 200
    token = urlsplit(address).query
    for host in ("elsewhere.example", f"elsewhere.example:{port}", "127.0.0.1", "localhost",
                 f"127.0.0.1:{port + 1}", f"127.0.0.1:{port}.example", f"[::1]:{port}",
                 f"127.0.0.1.:{port}", f"a@127.0.0.1:{port}", ""):  # fmt: skip
        for path in ("/", "/api/kit", HEALTH, f"/?{token}"):
            response = ask(address, path, Cookie=cookie, Host=host)
            assert response.status == 400, (host, path)
            assert "Set-Cookie" not in response.headers
    for origin in (f"http://127.0.0.1:{port + 1}", f"https://127.0.0.1:{port}", "null",
                   f"http://localhost:{port}", "https://elsewhere.example"):  # fmt: skip
        for path in ("/", "/api/kit", HEALTH):
            assert ask(address, path, Cookie=cookie, Origin=origin).status == 403
    for site in ("cross-site", "same-site"):
        assert ask(address, "/", Cookie=cookie, **{"Sec-Fetch-Site": site}).status == 403


@pytest.mark.slow
def test_only_the_page_itself_may_open_its_socket(address):
    cookie, parts = enter(address), urlsplit(address)
    own = f"http://{parts.netloc}"
    try_socket(address, own, cookie)
    for origin in (None, "null", "http://127.0.0.1:9", "https://elsewhere.example",
                   f"https://{parts.netloc}", f"http://localhost:{parts.port}"):  # fmt: skip
        with pytest.raises(InvalidStatus, match="403"):
            try_socket(address, origin, cookie)
    for bad in (None, f"catalog-{parts.port}=x", cookie.replace("catalog-", "catalog-1")):
        with pytest.raises(InvalidStatus, match="403"):
            try_socket(address, own, bad)
    host = f"elsewhere.example:{parts.port}"  # a name that was made to point to this machine
    with pytest.raises(InvalidStatus, match=r"40[03]"):
        try_socket(address, f"http://{host}", cookie, Host=host)


@pytest.mark.slow
def test_each_start_has_another_key(scanned, address):
    with serve(scanned.store) as other:
        assert urlsplit(other).query != urlsplit(address).query
        value = enter(address).split("=")[1]
        assert ask(other, "/", Cookie=f"catalog-{urlsplit(other).port}={value}").status == 403


@pytest.mark.slow
def test_the_page_also_opens_when_streamlit_runs_app_py(scanned):
    command = [sys.executable, "-m", "streamlit", "run", "app.py", "--server.port", "0"]
    command += ["--", "--store", str(scanned.store)]
    server = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        address = find_address(server)
        assert ask(address, "/").status == 403
        assert b"Streamlit" in ask(address, "/", Cookie=enter(address)).body
        try_socket(address, f"http://{urlsplit(address).netloc}", enter(address))
    finally:
        server.terminate()
        server.communicate()


def test_every_answer_bars_other_sites_from_embedding_and_guessing(client):
    for path in ("/api/kit", "/api/nowhere"):
        headers = client.get(path).headers
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'self'"
        assert policy["connect-src"] == f"'self' ws://127.0.0.1:{client.port}"
        assert "'unsafe" not in policy["script-src"]
        for name in ("frame-ancestors", "object-src", "base-uri", "form-action", "frame-src"):
            assert policy[name] == "'none'"
        assert "http" not in headers["content-security-policy"]
        assert "*" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-resource-policy"] == "same-origin"
    refused = client.get("/api/kit", headers={"Host": "elsewhere.example; script-src *"})
    assert "elsewhere" not in refused.headers["content-security-policy"]


def test_a_key_is_long_random_and_read_from_any_of_the_cookies():
    access, port = Access(), 8600
    assert len({access.key, access.token, Access().key, Access().token}) == 4
    assert len(access.key) >= 43  # 256 bits in base 64
    name = cookie_name(port)
    assert access.has_cookie([f"{name}=no; {name}={access.key}"], port)
    assert access.has_cookie(["", f"{name}={access.key}"], port)
    assert not access.has_cookie([f"{name}={access.key}"], port + 1)
    assert not access.has_cookie([f"{name}=\xff", f"{name}", "=", ";"], port)
    assert not access.has_token("token=%FF%ED%A0%80&token")
    assert "script-src 'self' blob: 'sha256-" in security_headers("h")["Content-Security-Policy"]
