"""Hostile requests to the page as raw bytes: a fixed list, and any number of seeded ones.

`Attack.must` states what a request must get: "refused" (400 to 499, before it reaches a route),
"no error" (anything below 500), or "no answer" (also a closed connection: it is not valid HTTP).
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from urllib.parse import quote

BIG = "9" * 5000
DEEP = b"[" * 10_000 + b"]" * 10_000
LONG = b"x" * (2**20 + 1)  # above the limit of JSON bodies
PAGES = (
    "/", "/index.html", "/favicon.png", "/static/js/x.js", "/api/kit", "/api/phrases",
    "/api/about/1", "/api/preview?ids=1", "/media/x.wav", "/component/x/y", "/nowhere",
    "/_stcore/host-config", "/_stcore/metrics", "/_stcore/upload_file/a/b", "/_stcore/stream",
)  # fmt: skip
POSTS = (
    "/api/kit/action",
    "/api/annotate",
    "/api/undo",
    "/api/redo",
    "/api/phrase",
    "/api/outside?name=a.wav",
    "/api/questions",
    "/api/folders",
    "/api/kits",
    "/api/kits/details",
    "/api/kit/plan",
    "/api/kit/export",
)
ADDRESSES = (
    f"/api/about/{BIG}", f"/api/near/{BIG}", f"/api/hit/{BIG}/1.wav", f"/api/hit/1/{BIG}.wav",
    f"/api/overlay/{BIG}/1", f"/api/overlay/1/{BIG}.wav", f"/api/wave/1/1/0-{BIG}",
    f"/api/about/{10**20}", f"/api/about/{10**17}", f"/api/preview?ids={BIG}",
    f"/api/preview?ids={10**20}", "/api/peaks?ids=nan", "/api/peaks?ids=1e9", "/api/about/-1",
    "/api/about/1.0", "/api/about/%D9%A1", "/api/about/1%00", "/api/phrase/%00",
    "/api/phrase/" + BIG,
    "/api/near/1?but=%ED%A0%80", "/api/near/1?but=" + "darker," * 3000,
    "/api/near/1?elsewhere=" + BIG,
    "/api/kit/strokes/%00", "/api/kit/strokes/" + BIG, "/api/export/%00", "/api/export/../kit",
    "/api/mask/%FF", "/api/points/%FF%FE", "/api/outside/%00.wav", "/api/outside/x/near",
    "/api/preview?" + "ids=1&" * 3000, "/?part=%ED%A0%80", "/?hit=" + BIG, "/?token=%00", "/%",
    "/%zz", "/?" + "a=" * 20_000,
)  # fmt: skip
TRAVERSALS = (
    "../../../../etc/passwd", "..%2f..%2f..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    "..%5c..%5c..%5cetc%5cpasswd", "..%252f..%252fetc%252fpasswd", "..%c0%af..%c0%afetc/passwd",
    "%2Fetc%2Fpasswd", "/etc/passwd", "....//....//etc/passwd", "x/..;/..;/etc/passwd",
    "file:%2f%2f%2fetc%2fpasswd", "..%00/etc/passwd", "%5c%5chost%5cshare",
    "C:%5cwindows%5cwin.ini",
)  # fmt: skip
UNDER = ("/", "/static/", "/media/", "/component/catalog/", "/api/audition/x/", "/app/static/")
METHODS = ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "HEAD", "PROPFIND", "post")
BODIES = (
    ("/api/annotate", DEEP), ("/api/annotate", b"{" * 10_000), ("/api/annotate", b'{"a":' * 10_000),
    ("/api/annotate", b'{"ids": [1], "remark": "\\ud800"}'),
    ("/api/annotate", b'{"ids": [1], "add": ["\\udfff"]}'),
    ("/api/annotate", json.dumps({"ids": [10**30], "mark": "master"}).encode()),
    ("/api/annotate", b'{"ids": [1], "mark": ' + BIG.encode() + b"}"),
    ("/api/annotate", b'{"ids": [1], "role": "snare\\u0000"}'), ("/api/annotate", LONG),
    ("/api/annotate", b'{"ids": [1, 1e999], "mark": "master"}'), ("/api/annotate", b"\xff\xfe{}"),
    ("/api/annotate", b'{"ids": ["1; DROP TABLE hit"], "mark": "master"}'),
    ("/api/annotate", b'{"ids": [1], "mark": "master", "path": "/etc/passwd"}'),
    ("/api/annotate", b'{"ids": [1], "remark": "' + b"x" * 10**6 + b'"}'),
    ("/api/kit/action", DEEP), ("/api/kit/action", LONG), ("/api/kit/action", b"null"),
    ("/api/kit/action", b'{"op": "fill", "slots": 5}'),
    ("/api/kit/action", b'{"op": "fill", "slots": [[1]]}'),
    ("/api/kit/action", b'{"op": "lock", "slot": ["snare"]}'),
    ("/api/kit/action", b'{"op": ["lock"], "slot": "snare"}'),
    ("/api/kit/action", b'{"op": "assign", "slot": "snare", "id": [1]}'),
    ("/api/kit/action", b'{"op": "assign", "slot": "snare", "id": ' + BIG.encode() + b"}"),
    ("/api/kit/action", b'{"op": "assign", "slot": "\\ud800", "id": 1}'),
    ("/api/kit/action", b'{"op": "level", "slot": "snare", "level_db": NaN}'),
    ("/api/kit/action", b'{"op": "choose", "k": 1e400}'),
    ("/api/kit/action", b'{"op": "open", "name": "\\ud800"}'),
    ("/api/kit/action", b'{"op": "__class__", "slot": "snare"}'),
    ("/api/kits", b'{"op": "save", "name": "\\ud800"}'), ("/api/kits", b'{"op": [], "name": "a"}'),
    ("/api/kits/details", b'{"name": "\\ud800"}'), ("/api/kit/plan", b'{"folder": "/\\u0000"}'),
    ("/api/kit/export", b'{"folder": "/\\ud800"}'), ("/api/kit/export", b'{"folder": 3}'),
    ("/api/phrase", b""), ("/api/phrase", b"MThd"), ("/api/phrase", LONG),
    ("/api/phrase", b"MThd\0\0\0\6\0\1\xff\xff\0\0" + b"MTrk\xff\xff\xff\xff" * 9),
    ("/api/outside?name=a.wav", b""), ("/api/outside?name=a.wav", b"RIFF" + b"\xff" * 99),
    ("/api/outside?name=a.wav", b"\0" * 2**20), ("/api/outside?name=..%2f..%2fa", b"x"),
    ("/api/outside?name=%00.wav", b"x"), ("/api/outside?name=" + BIG + ".wav", b"x"),
    ("/api/outside?name=%ED%A0%80.wav", b"x"), ("/api/outside?name=a.m4a", b"\0\0\0\x20ftypM4A "),
    ("/api/undo/" + BIG, b""), ("/api/redo/%00", b"{}"),
)  # fmt: skip


@dataclass(frozen=True)
class Attack:
    """One request."""

    name: str
    raw: bytes
    must: str


@dataclass(frozen=True)
class Target:
    """What an attacker knows about a page, and the cookie that only the page's browser has."""

    port: int
    cookie: str

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    def request(self, method: str, path: str, body: bytes | None = None, **changes: str) -> bytes:
        """Return a request of the page itself; `changes` are headers, "" leaves one out."""
        headers = {"Host": self.host, "Origin": f"http://{self.host}", "Cookie": self.cookie}
        headers |= {"Connection": "close"}
        if body is not None:
            headers["Content-Length"] = str(len(body))
        headers |= {name.replace("_", "-"): text for name, text in changes.items()}
        lines = [f"{method} {path} HTTP/1.1"]
        lines += [f"{name}: {text}" for name, text in headers.items() if text]
        return "\r\n".join(lines).encode("utf-8", "surrogatepass") + b"\r\n\r\n" + (body or b"")


def fixed_attacks(target: Target) -> list[Attack]:
    """Return requests that must change nothing."""
    return [
        *_without_admission(target),
        *(Attack(f"GET {p[:60]}", target.request("GET", p), "no error") for p in ADDRESSES),
        *(
            Attack(f"GET {start}{path}", target.request("GET", start + path), "no error")
            for start in UNDER
            for path in TRAVERSALS
        ),
        *(
            Attack(f"{method} {path}", target.request(method, path, b"{}"), "no error")
            for method in METHODS
            for path in ("/", "/api/kit", "/api/annotate", "/_stcore/health", "/media/x")
        ),
        *(
            Attack(
                f"POST {path[:60]} {body[:40]!r}", target.request("POST", path, body), "no error"
            )
            for path, body in BODIES
        ),
        *_broken_protocol(target),
    ]


def _without_admission(target: Target) -> list[Attack]:
    """Return requests that lack the cookie, the host or the origin; each is fine otherwise."""
    name, _, key = target.cookie.partition("=")
    star = b'{"ids": [1], "mark": "master"}'
    lacks = {
        "no cookie": {"Cookie": ""},
        "old cookie": {"Cookie": f"{name}={key[::-1]}"},
        "cookie of another port": {"Cookie": f"catalog-{target.port + 1}={key}"},
        "foreign host": {"Host": f"elsewhere.example:{target.port}"},
        "another port": {"Host": f"127.0.0.1:{target.port + 1}"},
        "no host": {"Host": ""},
        "foreign origin": {"Origin": "https://elsewhere.example"},
        "origin of another port": {"Origin": f"http://127.0.0.1:{target.port + 1}"},
        "null origin": {"Origin": "null"},
        "another site": {"Sec_Fetch_Site": "same-site"},
    }
    return [
        Attack(f"{lack}: {method} {path}", target.request(method, path, body, **change), "refused")
        for lack, change in lacks.items()
        for method, path, body in [("GET", page, None) for page in PAGES[::3]]
        + [("POST", post, star) for post in POSTS]
    ] + [
        Attack(f"no origin: POST {post}", target.request("POST", post, star, Origin=""), "refused")
        for post in POSTS
    ]


def _broken_protocol(target: Target) -> list[Attack]:
    head = target.request("POST", "/api/annotate", Connection="keep-alive")[:-2]
    chunked = head + b"Transfer-Encoding: chunked\r\n"
    get = target.request("GET", "/api/kit")[:-2]
    raw = {
        "chunk of false size": chunked + b"\r\nFFFFFFFFFFFFFFFF\r\n{}\r\n0\r\n\r\n",
        "chunk without number": chunked + b"\r\nzz\r\n{}\r\n0\r\n\r\n",
        "chunks above the limit": chunked + b"\r\n" + (b"8000\r\n" + b"x" * 0x8000 + b"\r\n") * 40,
        "chunked and sized": chunked + b"Content-Length: 2\r\n\r\n0\r\n\r\nGET / HTTP/1.1\r\n\r\n",
        "two sizes": head + b"Content-Length: 2\r\nContent-Length: 3\r\n\r\n{}",
        "negative size": head + b"Content-Length: -1\r\n\r\n{}",
        "endless size": head + b"Content-Length: " + BIG.encode() + b"\r\n\r\n{}",
        "unknown coding": head + b"Transfer-Encoding: gzip\r\n\r\n{}",
        "two hosts": get + b"Host: elsewhere.example\r\n\r\n",
        "two origins": get + b"Origin: https://elsewhere.example\r\n\r\n",
        "long header": get + b"X: " + b"x" * 200_000 + b"\r\n\r\n",
        "many headers": get + b"X: x\r\n" * 20_000 + b"\r\n",
        "NUL in a header": get + b"X: a\0b\r\n\r\n",
        "folded header": get + b"X: a\r\n b\r\n\r\n",
        "bare line feed": get.replace(b"\r\n", b"\n") + b"\n",
        "foreign target": target.request("GET", "http://elsewhere.example/api/kit"),
        "no path": target.request("GET", "*"),
        "not UTF-8": target.request("GET", "/").replace(b"/ ", b"/\xff\xfe\xed\xa0\x80 ", 1),
        "an old version": b"GET /\r\n\r\n",
        "version 1.0": b"GET / HTTP/1.0\r\n\r\n",
        "version 9": b"GET / HTTP/9.9\r\nHost: x\r\n\r\n",
        "preface of version 2": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        "TLS": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\0" * 200,
        "noise": random.Random(5).randbytes(5000),
        "nothing": b"\r\n\r\n",
        "half a request": get[:40],
        "half a body": head + b"Content-Length: 100\r\n\r\n{",
    }  # fmt: skip
    return [Attack(name, data, "no answer") for name, data in raw.items()]


def random_attack(target: Target, seed: int) -> Attack:
    """Return an admitted request with a random address or JSON body; it may change the kit."""
    rng = random.Random(seed)
    if rng.random() < 0.4:
        route = rng.choice(
            [*ADDRESSES, *PAGES, *(start + x for start in UNDER for x in TRAVERSALS)]
        )
        parts = [rng.choice([part, quote(_word(rng), safe="")]) for part in route.split("/")[1:]]
        path = "/" + "/".join(parts)
        return Attack(path[:80], target.request("GET", path), "no error")
    path = rng.choice(POSTS[:4])
    data = {rng.choice(KEYS): _value(rng, 3) for _ in range(rng.randint(0, 4))}
    if rng.random() < 0.8:
        data["op" if "kit" in path else "ids"] = rng.choice([*OPS, [1]]) if "kit" in path else [1]
    body = json.dumps(data).encode()
    return Attack(f"POST {path} {body[:80]!r}", target.request("POST", path, body), "no error")


KEYS = ("ids", "mark", "role", "remark", "add", "drop", "op", "slot", "slots", "id", "k", "name",
        "level_db", "places", "like", "layer", "to", "at", "n", "seed")  # fmt: skip
OPS = ("fill", "lock", "unlock", "assign", "swap", "choose", "undo", "redo", "open", "clear",
       "level", "move", "drop", "name", "remove", "layer")  # fmt: skip
WORDS = (
    "snare",
    "kick",
    "master",
    "",
    "\ud800",
    "\0",
    "../..",
    "a" * 70_000,
    "\u202e",
    "1e999",
    "<b>",
)


def _word(rng: random.Random) -> str:
    return rng.choice(WORDS[:4] + WORDS[5:]) + rng.choice(("", "%00", "\r\n", "9" * 30))


def _value(rng: random.Random, depth: int) -> object:
    if depth and rng.random() < 0.3:
        inner = [_value(rng, depth - 1) for _ in range(rng.randint(0, 3))]
        return inner if rng.random() < 0.6 else dict(zip(KEYS, inner, strict=False))
    numbers = (0, -1, 1, 2.5, 10**30, -(10**18), float("nan"), float("inf"), True, None)
    return rng.choice([*numbers, *WORDS])
