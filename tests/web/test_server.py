"""A page that stays open in a real browser: a second tab, a server that ends and comes back."""

from __future__ import annotations

import socket

import pytest

from catalog import Catalog
from tests.web.browsing import serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TWICE_SHOWN = "globalThis.__duplicates?.groups.box.querySelector('.group')"
N_LOOKS, LOOK_MS = 20, 3_000


def test_of_two_tabs_the_second_to_accept_is_told_and_moves_nothing_more(browser, own):
    with (
        serve(own.store) as address,
        watch(browser, address) as one,
        watch(browser, address) as other,
    ):
        for tab in (one, other):
            tab.open_part("Copies")
            tab.until(TWICE_SHOWN)
        one.page.get_by_role("button", name="Accept: set this one aside").first.click()
        one.page.get_by_text("1 file set aside").wait_for()
        other.page.get_by_role("button", name="Accept: set this one aside").first.click()
        other.page.get_by_text("is set aside already").wait_for()
        other.until("__duplicates.groups.box.querySelectorAll('.group').length === 1")
    with Catalog.open(own.store) as catalog:
        assert len(catalog.hits(states=("aside",))) == 1
        assert len(catalog.history()) == 1


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return sock.getsockname()[1]


def test_a_server_that_has_ended_is_told_and_the_page_goes_on_with_the_next(browser, own):
    port = free_port()
    server = serve(own.store, port=port)
    address = server.__enter__()
    with watch(browser, address) as visit:
        ids = visit.get("[...__audition.map.points.ids]")
        server.__exit__(None, None, None)
        visit.page.mouse.click(5, 5)  # a browser sounds only after a click
        visit.get(f"__audition.engine.play(__audition.map.hitOf({ids[0]}))")
        visit.page.get_by_text("The server does not answer").first.wait_for()
        assert visit.starts == 0
        with serve(own.store, port=port):
            for _ in range(N_LOOKS):  # its address is told before it listens
                visit.get(f"__audition.engine.play(__audition.map.hitOf({ids[0]}))")
                if visit.starts:
                    break
                visit.page.wait_for_timeout(LOOK_MS / 10)
            assert visit.starts == 1
            for _ in range(N_LOOKS):  # what is pressed before the line is up again is lost
                for part in ("Listen", "Copies"):
                    visit.open_part(part)
                visit.page.wait_for_timeout(LOOK_MS)
                if visit.get(f"Boolean({TWICE_SHOWN})"):
                    break
            else:
                pytest.fail("the page did not find the new server")
