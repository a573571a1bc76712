"""The connection of a page to a server that restarts."""

from __future__ import annotations

import socket

import pytest

from tests.web.visits import serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
N_TRIES, TRY_MS = 20, 3_000


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return sock.getsockname()[1]


def test_a_page_reports_a_stopped_server_and_continues_with_the_next(browser, own):
    port = free_port()
    server = serve(own.store, port=port)
    address = server.__enter__()
    with watch(browser, address) as visit:
        hit_id = visit.get("__audition.map.points.ids[0]")
        play = f"__audition.engine.play(__audition.map.hitOf({hit_id}))"
        server.__exit__(None, None, None)
        visit.page.mouse.click(5, 5)  # browsers play only after a click
        visit.get(play)
        visit.page.get_by_text("The server does not answer").first.wait_for()
        assert visit.starts == 0
        with serve(own.store, port=port) as next_address:
            visit.get(play)  # the key of the first server is no longer valid
            visit.page.get_by_text("address that the terminal shows").first.wait_for()
            assert visit.starts == 0
            visit.page.context.new_page().goto(next_address)
            for _ in range(N_TRIES):  # the address is printed before the server listens
                visit.get(play)
                if visit.starts:
                    break
                visit.page.wait_for_timeout(TRY_MS / 10)
            assert visit.starts == 1
            for _ in range(N_TRIES):  # a press before the connection is back is lost
                for part in ("Find", "Bring in"):
                    visit.open_part(part)
                visit.page.wait_for_timeout(TRY_MS)
                if visit.page.get_by_text("Scanned folders").count():
                    break
            else:
                pytest.fail("the page did not find the new server")
