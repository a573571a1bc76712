"""What a person sees and hears: a page of this machine's own, nothing leaves it."""

from __future__ import annotations

from catalog.web.server import app_parts, open_page, page_app

__all__ = ["app_parts", "open_page", "page_app"]
