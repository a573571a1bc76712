"""The security headers of each response: what the page may load, and who may use it."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from pathlib import Path

INLINE_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)
# A component's own script is run from a blob, and Streamlit writes its styles into the page.
SOURCES = {
    "default-src": "'self'",
    "script-src": "'self' blob:",
    "style-src": "'self' 'unsafe-inline'",
    "img-src": "'self' data: blob:",
    "font-src": "'self' data:",
    "media-src": "'self' data: blob:",
    "worker-src": "'self' blob:",
    "connect-src": "'self'",
    "frame-src": "'none'",
    "object-src": "'none'",
    "frame-ancestors": "'none'",
    "base-uri": "'none'",
    "form-action": "'none'",
}
FIXED = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def security_headers(host: str) -> dict[str, str]:
    """Return the security headers of a response to a request with this (checked) Host header."""
    # Some browsers do not count the socket among 'self'.
    extra = {"script-src": inline_hashes(), "connect-src": f"ws://{host}"}
    policy = "; ".join(
        " ".join(filter(None, (name, value, extra.get(name)))) for name, value in SOURCES.items()
    )
    return FIXED | {"Content-Security-Policy": policy}


@cache
def inline_hashes() -> str:
    """Return the hashes of the scripts that stand in Streamlit's own page, as CSP sources."""
    import streamlit

    index = Path(streamlit.__file__).with_name("static") / "index.html"
    scripts = INLINE_SCRIPT.findall(index.read_text("utf-8"))
    digests = (hashlib.sha256(script.encode()).digest() for script in scripts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
