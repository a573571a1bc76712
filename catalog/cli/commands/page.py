"""Commands that open the page and show the guides."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from catalog.cli.commands.library import report_lines
from catalog.cli.output import OK, AddCommand, ProgressBar, print_message, print_result
from catalog.errors import CatalogError, ParameterError
from catalog.guide import list_subjects, read_guide


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    parsers = (
        command("open", "open the page in the browser", _open),
        command("demo", "scan the demo library and open the page on it", _demo),
    )
    for parser in parsers:
        parser.set_defaults(needs_store=False)
        parser.add_argument("--port", type=int, default=0, help="default: a free one")
        parser.add_argument(
            "--no-browser", dest="browser", action="store_false", help="only print the address"
        )
    guide = command("guide", "list the guides, or show one", _guide)
    guide.set_defaults(needs_store=False)
    guide.add_argument("subject", nargs="?", help="as listed by `catalog guide`")


def _open(_: object, args: argparse.Namespace) -> int:
    _check_port(args.port)
    return _serve(args.store, port=args.port, browser=args.browser)


def _check_port(port: int) -> None:
    if not 0 <= port < 1 << 16:
        raise ParameterError(f"--port {port} must be between 0 (a free one) and 65535")


def _serve(store: str | Path | None, *, port: int, browser: bool) -> int:
    from catalog.web.server.start import open_page

    try:
        open_page(store, port=port, browser=browser)
    except OSError as err:
        raise CatalogError(f"port {port} cannot be used ({err.strerror}); choose another") from err
    except KeyboardInterrupt:  # the usual end
        print_message("the page has ended")
    return OK


def _demo(_: object, args: argparse.Namespace) -> int:
    from catalog.catalog import Catalog, default_store
    from catalog.services.demo import copy_demo, demo_places, place_demo

    _check_port(args.port)
    library, store = demo_places(default_store())
    library, store = copy_demo(library), args.store or store
    with Catalog.open(store) as cat, ProgressBar() as bar:
        report = cat.scan([library], on_progress=bar)
        for line in report_lines(cat, report):
            print_message(line)
        place_demo(cat.context, library)
    print_message(f"to use the demo with other commands, add: --store {shlex.quote(str(store))}")
    return _serve(store, port=args.port, browser=args.browser)


def _guide(_: object, args: argparse.Namespace) -> int:
    if args.subject is not None:
        text = read_guide(args.subject)
        value = {"subject": args.subject, "text": text}
        print_result(value, text.splitlines(), as_json=args.json)
        return OK
    subjects = list_subjects()
    lines = [f"{name:<12} {title}" for name, title in subjects.items()]
    print_result(subjects, lines, as_json=args.json)
    return OK
