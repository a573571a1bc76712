"""The command line: it reads arguments, calls one function of `Catalog`, and prints.

Exit codes: 0 fine, 1 files were skipped or nothing was found, 2 wrong arguments or an error.
Results go to standard output, progress and messages to standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from catalog.cli import files, guide, kits, library, review, search, takes
from catalog.cli.output import FINE, WRONG, say
from catalog.cli.page import demo_verb, open_page_verb
from catalog.cli.parser import make_parser
from catalog.errors import CatalogError

STOPPED = 130  # 128 + SIGINT, as shells count
FAMILIES = (library, takes, review, files, search, kits)
RUNS = {verb: run for family in FAMILIES for verb, run in family.RUNS.items()}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        by default those of the process

    Returns
    -------
    int, the exit code
    """
    args = make_parser().parse_args(arguments)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name the terminal cannot show
    try:
        return _run(args)
    except CatalogError as err:
        say(f"catalog: {err}")
        return WRONG
    except BrokenPipeError:  # the reader, such as `head`, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE
    except OSError as err:
        say(f"catalog: {err}")
        return WRONG
    except KeyboardInterrupt:
        say("catalog: stopped; what was done so far is kept")
        return STOPPED


def _run(args: argparse.Namespace) -> int:
    args.json = getattr(args, "json", False)
    store = getattr(args, "store", None)
    if args.verb == "open":
        return open_page_verb(store, port=args.port, browser=args.browser)
    if args.verb == "guide":
        return guide.show_guide(args.subject, as_json=args.json)
    if args.verb == "demo":
        return demo_verb(store, port=args.port, browser=args.browser)
    from catalog.catalog import Catalog, default_store

    place = Path(store) if store is not None else default_store()
    if args.verb != "scan" and not place.exists():
        raise CatalogError(f"there is no store at {place}; `catalog scan FOLDER` makes one")
    with Catalog.open(place) as cat:
        code = RUNS[args.verb](cat, args)
        sys.stdout.flush()
    return code


if __name__ == "__main__":
    sys.exit(main())
