"""The page's own addresses under /api/: audio and numbers by id, never by path."""

from __future__ import annotations

from starlette.routing import Route

from catalog.page.routes import kits, listening, outside, saying, sounds


def api_routes() -> list[Route]:
    """Give all routes of the page."""
    return [*listening.ROUTES, *sounds.ROUTES, *outside.ROUTES, *saying.ROUTES, *kits.ROUTES]
