"""Commands that open the page and show the guides."""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
from contextlib import suppress
from pathlib import Path

from catalog.cli.commands.library import report_lines
from catalog.cli.output import OK, AddCommand, ProgressBar, print_message, print_result
from catalog.errors import CatalogError
from catalog.guide import list_subjects, read_guide

PACKAGE = Path(__file__).resolve().parents[2]
DEMO_FOLDERS = (
    PACKAGE.parent / "demo_library",
    PACKAGE / "demo_library",
)  # in a checkout, in a wheel


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
    return _serve(args.store, port=args.port, browser=args.browser)


def _serve(store: str | Path | None, *, port: int, browser: bool) -> int:
    if not 0 <= port < 1 << 16:
        raise CatalogError(f"--port {port} must be between 0 (a free one) and 65535")
    from catalog.web.server.start import open_page

    try:
        open_page(store, port=port, browser=browser)
    except OSError as err:
        raise CatalogError(f"port {port} cannot be used ({err.strerror}); choose another") from err
    return OK


def _demo(_: object, args: argparse.Namespace) -> int:
    from catalog.catalog import Catalog, default_store

    folder = default_store().parent / "demo"
    library = copy_demo(folder / "library")
    store = args.store or folder / "demo.sqlite"
    with Catalog.open(store) as cat, ProgressBar() as bar:
        report = cat.scan([library], on_progress=bar)
        for line in report_lines(cat, report):
            print_message(line)
        cat.copies(on_progress=bar)
        if cat.map.layout().kind != "umap":
            cat.map.compute(on_progress=bar)
    print_message(f"to use the demo with other commands, add: --store {shlex.quote(str(store))}")
    return _serve(store, port=args.port, browser=args.browser)


def copy_demo(target: Path) -> Path:
    """Copy the audio of the demo library, so that nothing changes the original.

    Parameters
    ----------
    target : Path
        not changed if it exists

    Returns
    -------
    Path, `target`

    Raises
    ------
    CatalogError
        if the demo library is missing
    """
    from catalog.audio.decode import AUDIO_SUFFIXES

    if target.is_dir():
        return target
    source = next((path for path in DEMO_FOLDERS if path.is_dir()), DEMO_FOLDERS[0])
    files = [p for p in sorted(source.rglob("*")) if p.suffix.lower() in AUDIO_SUFFIXES]
    if not files:
        raise CatalogError(
            f"{source}: holds no demo library; install catalog again, or run it from a checkout"
        )
    partial = target.with_name(f"{target.name}.{os.getpid()}.part")
    for file in files:
        copy = partial / file.relative_to(source)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(file, copy)
    with suppress(OSError):  # another demo, started at the same time, has made it
        partial.rename(target)
    return target


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
