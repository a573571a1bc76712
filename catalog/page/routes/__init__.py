"""The page's own addresses under /api/: audio and numbers by id, never by path."""

from __future__ import annotations

from starlette.routing import Route

from catalog.page.routes import kits, listening, outside, overlays, phrases, saying, sounds

ROOMS = (listening, sounds, outside, overlays, phrases, saying, kits, phrases)


def api_routes() -> list[Route]:
    """Give all routes of the page."""
    return [route for room in ROOMS for route in room.ROUTES]
