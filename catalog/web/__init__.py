"""The page in the browser; it serves this machine only and sends nothing elsewhere."""

from __future__ import annotations

from catalog.web.server.start import app_parts, open_page, page_app

__all__ = ["app_parts", "open_page", "page_app"]
