"""Commands that open the page."""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
from contextlib import suppress
from pathlib import Path

from catalog.cli.library import report_lines
from catalog.cli.output import OK, AddCommand, ProgressBar, print_message
from catalog.errors import CatalogError

PACKAGE = Path(__file__).resolve().parents[1]
DEMO_PLACES = (PACKAGE.parent / "demo_library", PACKAGE / "demo_library")  # a checkout, a wheel


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


def _open(_: object, args: argparse.Namespace) -> int:
    return _serve(args.store, port=args.port, browser=args.browser)


def _serve(store: str | Path | None, *, port: int, browser: bool) -> int:
    if not 0 <= port < 1 << 16:
        raise CatalogError(f"--port {port} must be between 0 (a free one) and 65535")
    from catalog.web.server import open_page

    try:
        open_page(store, port=port, browser=browser)
    except OSError as err:
        raise CatalogError(f"port {port} cannot be used ({err.strerror}); give another") from err
    return OK


def _demo(_: object, args: argparse.Namespace) -> int:
    from catalog.catalog import Catalog, default_store

    folder = default_store().parent / "demo"
    library = copy_demo(folder / "library")
    place = args.store or folder / "demo.sqlite"
    with Catalog.open(place) as cat, ProgressBar() as bar:
        report = cat.scan([library], on_progress=bar)
        for line in report_lines(cat, report):
            print_message(line)
        cat.copies(on_progress=bar)
        if cat.map.layout().kind != "umap":
            cat.map.compute(on_progress=bar)
    print_message(f"other commands see the demo with: --store {shlex.quote(str(place))}")
    return _serve(place, port=args.port, browser=args.browser)


def copy_demo(target: Path) -> Path:
    """Copy the audio of the demo library, so that trying things out never touches the checkout.

    Parameters
    ----------
    target : Path
        left as it is if it is there already

    Returns
    -------
    Path, `target`

    Raises
    ------
    CatalogError
        if the demo library is neither beside the package nor in it
    """
    from catalog.audio.decode import AUDIO_SUFFIXES

    if target.is_dir():
        return target
    home = next((place for place in DEMO_PLACES if place.is_dir()), DEMO_PLACES[0])
    files = [p for p in sorted(home.rglob("*")) if p.suffix.lower() in AUDIO_SUFFIXES]
    if not files:
        raise CatalogError(f"{home}: holds no demo library; install it again, or use a checkout")
    growing = target.with_name(f"{target.name}.{os.getpid()}.part")
    for file in files:
        place = growing / file.relative_to(home)
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(file, place)
    with suppress(OSError):  # another demo, started at the same time, was first
        growing.rename(target)
    return target
