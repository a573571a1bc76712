# PYTHON_ARGCOMPLETE_OK
"""The command line: parse arguments, call one method of `Catalog`, print the result.

Exit codes: 0 done; 1 could not be done, or only in part; 2 wrong call: it cannot be understood, or
names a hit, kit, file or value that does not exist or is not allowed; 130 Ctrl+C.
Results go to standard output, progress and messages to standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from catalog.cli.output import INCOMPLETE, OK, QUIET, WRONG_CALL, print_error, print_message
from catalog.cli.parser import parse_arguments
from catalog.config import read_config
from catalog.errors import CatalogError, ParameterError, StoreArgumentError
from catalog.interrupts import interruptible

STOPPED = 130  # 128 + SIGINT, as shells count


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        by default `sys.argv[1:]`

    Returns
    -------
    int, the exit code
    """
    as_json = "--json" in (sys.argv[1:] if arguments is None else arguments)
    try:
        with interruptible(is_last=arguments is None):
            args = parse_arguments(arguments)
            for stream in (sys.stdout, sys.stderr):
                if hasattr(stream, "reconfigure"):  # for names that the terminal cannot show
                    stream.reconfigure(errors="backslashreplace")
            return _run(args)
    except ParameterError as err:
        print_error(err, as_json=as_json)
        return WRONG_CALL
    except CatalogError as err:
        print_error(err, as_json=as_json)
        return INCOMPLETE
    except BrokenPipeError:  # the reader, such as `head`, closed the pipe
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except OSError as err:
        print_error(err, as_json=as_json)
        return INCOMPLETE
    except KeyboardInterrupt:
        print_message("catalog: stopped; finished work is stored")
        return STOPPED


def _run(args: argparse.Namespace) -> int:
    args.json = getattr(args, "json", False)
    args.store = getattr(args, "store", None)
    QUIET.set() if getattr(args, "quiet", False) else QUIET.clear()
    started = time.monotonic()
    args.config = read_config()
    if args.store is None and args.config.store is not None and args.command != "demo":
        args.store = str(args.config.store)
    if not args.needs_store:
        return int(args.run(None, args))
    from catalog.catalog import Catalog, default_store

    path = Path(args.store) if args.store is not None else default_store()
    if args.command not in ("scan", "recover") and not path.exists():
        raise StoreArgumentError(_no_store(path))
    if args.command == "recover" and args.backup is not None:
        _move_damaged(path)
    new_store = args.command == "recover" or getattr(args, "new_store", False)
    with Catalog.open(path, new_store=new_store) as cat:
        code = args.run(cat, args)
        sys.stdout.flush()
    if getattr(args, "verbose", False):
        print_message(f"store: {path}; took {time.monotonic() - started:.2f} s")
    return int(code)


def _no_store(path: Path) -> str:
    from catalog.library.backup.backup_files import describe_newest

    hint = describe_newest(path.absolute()) or "`catalog scan FOLDER` creates one"
    return f"there is no store at {path}; {hint}"


def _move_damaged(path: Path) -> None:
    from catalog.library.backup.lost_store import move_damaged_store

    if moved := move_damaged_store(path.absolute()):
        print_message(f"the damaged store was renamed to {moved}; a new one takes its place")


if __name__ == "__main__":
    sys.exit(main())
