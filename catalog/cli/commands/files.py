"""Commands that set files aside, hide hits, and decide about copies."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.cli.commands.history import print_events
from catalog.cli.output import (
    INCOMPLETE,
    OK,
    YES_HELP,
    AddCommand,
    ProgressBar,
    format_size,
    note_no_change,
    print_message,
    print_result,
    short_path,
)
from catalog.cli.selection import (
    ANY,
    SAMPLES,
    add_rows_wanted,
    add_selection,
    confirm,
    has_options,
    names_numbers,
    read_hits,
    rows_wanted,
    select_hits,
)
from catalog.cli.summary import hits_of, place_lines
from catalog.cli.table import table_lines
from catalog.errors import CatalogError, ParameterError
from catalog.models import State
from catalog.wording import percent

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.duplicates.groups import CopyGroup, UncertainPair
    from catalog.models import Hit

STATE_WORDS = {State.ASIDE: "set aside", State.HIDDEN: "hidden", State.HERE: "in use"}
MOST_SAME = 20  # hits of one verdict, 190 pairs
UNDO_AFTER_RECOVERY = (
    "what was done before is kept as it was; `undo` can take back moves of files and hidden hits of"
    " that time, but no other act"
)
NEWEST = Path()  # in place of the path of a backup
HEADING = "Copies, and what was done with them"
DRY_HEADING = "Copies, and what would be done with them"


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    aside = command(
        "set-aside",
        "move files to a folder beside the store; `restore` moves them back",
        _set_aside,
    )
    aside.add_argument("--copies", action="store_true", help="all copies that `copies` lists")
    aside.add_argument("--reason", default="", help="text for the history")
    aside.add_argument(
        "--even-in-kits", action="store_true", help="also hits that a saved kit uses"
    )
    aside.add_argument("--report", type=Path, metavar="FILE", help="write a text report")
    aside.add_argument("--yes", action="store_true", help=YES_HELP)
    restore = command("restore", "move files that were set aside back", _restore)
    restore.add_argument(
        "--as-it-is", action="store_true", help="also files that were changed while set aside"
    )
    restore.add_argument(
        "--other-disk", action="store_true",
        help="also where another disk is mounted than when the file was set aside",
    )  # fmt: skip
    recover = command("recover", "put files set aside back into a store that was lost", _recover)
    recover.add_argument(
        "--backup", nargs="?", const=NEWEST, type=Path, metavar="FILE",
        help="also restore annotations, kits and history from a backup, by default the newest one",
    )  # fmt: skip
    hide = command("hide", "leave hits out of all lists; their files are not moved", _hide)
    hide.add_argument("--reason", default="", help="text for the history")
    unhide = command("unhide", "show hidden hits again", _unhide)
    for parser in (restore, hide, unhide):
        add_selection(parser, acts=True)
    add_selection(aside)
    same = command(
        "same", "record your verdict that hits are one recording, or different ones", _same
    )
    verdict = same.add_mutually_exclusive_group()
    verdict.add_argument(
        "--not", dest="differ", action="store_true", help="they are different recordings"
    )
    verdict.add_argument("--take-back", action="store_true", help="remove your verdict")
    keep = command("keep", "choose which file of its copies to keep", _keep)
    for parser in (same, keep):
        add_selection(parser, acts=True)
    add_rows_wanted(
        command("doubts", "list uncertain pairs; listen to them and decide with `same`", _doubts)
    )


def _set_aside(cat: Catalog, args: argparse.Namespace) -> int:
    groups = cat.copies() if args.copies or not args.yes else []
    chosen = select_hits(cat, args) if args.hits or has_options(args) else []
    ids = chosen + [i for group in groups if args.copies for i in group.others]
    if chosen and not (ids := _left(cat, ids, state=State.ASIDE)):
        return _print_no_events(args)
    if not ids:
        raise ParameterError("nothing to set aside; give numbers of hits, or --copies")
    if args.report is not None and args.report.exists():
        raise ParameterError(f"{args.report}: exists already; choose a new name for the report")
    if args.yes:
        return _do_set_aside(cat, args, ids)
    hits = [cat.hit(hit_id) for hit_id in ids]
    obstacles = _obstacles(cat, args, ids)
    used = cat.files.kits_using([hit_id for hit_id in ids if hit_id not in obstacles])
    outcomes = {hit.id: obstacles.get(hit.id, "would be set aside") for hit in hits}
    movable = [hit for hit in hits if hit.id not in obstacles]
    keepers = cat.duplicates.keepers(ids) if groups else {}
    lines = list(dict.fromkeys(_move_lines(cat, movable, keepers)))
    lines += [f"cannot be set aside: {reason}" for reason in obstacles.values()]
    lines += _whole_group_warnings(groups, ids)
    lines += [
        f"warning: hit {i} is used by the saved kit {', '.join(names)}; --even-in-kits moves it"
        for i, names in used.items()
    ]
    lines += [
        f"what you noted of hit {i} would be copied to hit {other}, the same recording"
        for i, other in cat.files.plan_hand_over([hit.id for hit in movable]).items()
    ]
    size = format_size(cat.files.size_of([hit.id for hit in movable]))
    lines.append(f"they would be moved, {size}, to {cat.store_path}.aside")
    lines.append("nothing was moved; add --yes to do it")
    _write_report(cat, args, outcomes, DRY_HEADING)
    _name_report(args)
    value = {"dry_run": True, "hits": hits, "obstacles": obstacles, "kits": used}
    print_result(value, lines, as_json=args.json)
    return OK if movable else INCOMPLETE


def _left(cat: Catalog, ids: Sequence[int], *, state: State) -> list[int]:
    """Return the hits that are not in the wanted state yet, and print which ones are."""
    hits = read_hits(cat, ids)
    for hit in hits:
        if hit.state == state:
            print_message(f"hit {hit.id} ({hit.name}) is {STATE_WORDS[state]} already")
    return [hit.id for hit in hits if hit.state != state]


def _print_no_events(args: argparse.Namespace) -> int:
    print_result([], (), as_json=args.json)
    return note_no_change(False)


def _move_lines(cat: Catalog, hits: Sequence[Hit], keepers: Mapping[int, int]) -> list[str]:
    """Return a line for each file of each hit; equal lines for the strokes of one take."""
    return [
        f"would set aside: {short_path(path)}"
        + (f" ({short_path(cat.hit(keepers[hit.id]).path)} stays)" if hit.id in keepers else "")
        for hit in hits
        for path in dict.fromkeys((hit.path, *(mic.path for mic in hit.tied[1:])))
    ]


def _do_set_aside(cat: Catalog, args: argparse.Namespace, ids: Sequence[int]) -> int:
    obstacles = _obstacles(cat, args, ids) if args.copies else {}
    left = [hit_id for hit_id in ids if hit_id not in obstacles]
    if not left and not args.even_in_kits:  # refused if kits are the reason
        left = list(cat.files.kits_using(ids))
        obstacles = {i: reason for i, reason in obstacles.items() if i not in left}
    for reason in obstacles.values():
        print_message(f"not moved: {reason}")
    ids = left
    # Written before the move: afterwards the copies are no longer listed, and a report that cannot
    # be written must not hide what was moved.
    _write_report(cat, args, obstacles | dict.fromkeys(ids, "set aside"), HEADING)
    reason = args.reason or "copy" * args.copies
    try:
        events = cat.set_aside(ids, reason=reason, even_in_kits=args.even_in_kits)
    except CatalogError:
        if args.report is not None:
            args.report.unlink(missing_ok=True)  # it lists files that were not moved
        raise
    _name_report(args)
    code = print_events(events, args)
    return INCOMPLETE if obstacles else code


def _obstacles(cat: Catalog, args: argparse.Namespace, ids: Sequence[int]) -> dict[int, str]:
    obstacles = cat.files.obstacles(ids, keep_exports=args.copies)
    if not args.copies:
        return obstacles
    duplicates = cat.duplicates
    in_kits = {
        hit_id: f"hit {hit_id} is used by the saved kit {', '.join(names)}; --even-in-kits moves it"
        for hit_id, names in cat.files.kits_using(ids).items()
        if not args.even_in_kits
    }
    return in_kits | duplicates.take_faults(ids) | obstacles | duplicates.keeper_faults(ids)


def _write_report(
    cat: Catalog, args: argparse.Namespace, outcomes: Mapping[int, str], heading: str
) -> None:
    if args.report is not None:
        text = cat.duplicates.report(outcomes, heading=heading)
        with args.report.open("x", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)


def _name_report(args: argparse.Namespace) -> None:
    if args.report is not None:
        print_message(f"report written to {args.report}")


def _whole_group_warnings(groups: Sequence[CopyGroup], ids: Sequence[int]) -> list[str]:
    return [
        f"warning: hit {group.keep} and all its copies would be set aside"
        for group in groups
        if {group.keep, *group.others} <= set(ids)
    ]


def _restore(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.library.files.set_aside import CHANGED

    ids = _left(cat, select_hits(cat, args, states=(State.ASIDE,)), state=State.HERE)
    if names_numbers(args) and not ids:
        return _print_no_events(args)
    if not confirm(cat, args, ids, what="restore"):
        return INCOMPLETE if ids else OK
    events = cat.files.restore(ids, as_it_is=args.as_it_is, other_disk=args.other_disk)
    for event in events:
        if event.reason == CHANGED:
            print_message(f"{event.target}: {CHANGED}; scan its folder to measure it again")
    return print_events(events, args)


def _recover_backup(cat: Catalog, args: argparse.Namespace) -> int:
    with ProgressBar() as bar:
        path = None if args.backup == NEWEST else args.backup
        result = cat.scans.recover(path, on_progress=bar)
    lines = [f"not restored: {text}" for text in result.left]
    lines.append(f"restored from {result.backup}:")
    lines.append(
        f"annotations of {result.n_hits} hits, {len(result.kits)} kits, {result.n_verdicts}"
        f" verdicts, {result.n_events} entries of the history"
    )
    lines.append(UNDO_AFTER_RECOVERY)
    print_result(result, lines, as_json=args.json)
    return INCOMPLETE if result.left else OK


def _recover(cat: Catalog, args: argparse.Namespace) -> int:
    if args.backup is not None:
        return _recover_backup(cat, args)
    result = cat.files.recover()
    lines = [f"recovered as set aside: hit {e.hit_id}: {e.source}" for e in result.events]
    lines += [f"not recovered: {path}: {reason}" for path, reason in result.left]
    lines.append(f"{len(result.events)} recovered, {len(result.left)} not")
    print_result(result, lines, as_json=args.json)
    return INCOMPLETE if result.left else OK


def _hide(cat: Catalog, args: argparse.Namespace) -> int:
    ids = _left(cat, select_hits(cat, args), state=State.HIDDEN)
    if names_numbers(args) and not ids:
        return _print_no_events(args)
    if not confirm(cat, args, ids, what="hide"):
        return INCOMPLETE if ids else OK
    return print_events(cat.files.hide(ids, reason=args.reason), args)


def _unhide(cat: Catalog, args: argparse.Namespace) -> int:
    ids = _left(cat, select_hits(cat, args, states=(State.HIDDEN,)), state=State.HERE)
    if names_numbers(args) and not ids:
        return _print_no_events(args)
    if not confirm(cat, args, ids, what="unhide"):
        return INCOMPLETE if ids else OK
    return print_events(cat.files.unhide(ids), args)


def _same(cat: Catalog, args: argparse.Namespace) -> int:
    ids = list(dict.fromkeys(select_hits(cat, args)))
    if not 2 <= len(ids) <= MOST_SAME:
        raise ParameterError(f"{len(ids)} hits are named; a verdict is for 2 to {MOST_SAME} hits")
    is_same = None if args.take_back else not args.differ
    word = "no verdict" if args.take_back else "two recordings" if args.differ else "one recording"
    if not confirm(cat, args, ids, what=f"record “{word}” for all pairs of"):
        return INCOMPLETE
    pairs = list(combinations(ids, 2))
    summary = f"hits {', '.join(map(str, ids[:SAMPLES]))}{' ...' * (len(ids) > SAMPLES)}: {word}"
    with cat.files.as_one_act("verdict", summary):
        changed = [cat.duplicates.set_verdict(*pair, is_same) for pair in pairs]
    value = [{"first": first, "second": second, "verdict": word} for first, second in pairs]
    lines = [f"hits {first} and {second}: {word}" for first, second in pairs]
    print_result(value, lines, as_json=args.json)
    return note_no_change(any(changed))


def _keep(cat: Catalog, args: argparse.Namespace) -> int:
    before, ids = cat.copies(), select_hits(cat, args)
    if not names_numbers(args):  # of a query, those that have copies
        members = {hit_id for group in before for hit_id in group.members}
        ids = [hit_id for hit_id in ids if hit_id in members]
    if not confirm(cat, args, ids, what="keep"):
        return INCOMPLETE if ids else OK
    cat.duplicates.keep(*ids)
    after = cat.copies()
    groups = [group for group in after if group.keep in ids]
    lines = [
        f"hit {group.keep} is kept; its copies: {', '.join(map(str, group.others))}"
        for group in groups
    ]
    print_result(groups, lines, as_json=args.json)
    return note_no_change(after != before)


def _doubts(cat: Catalog, args: argparse.Namespace) -> int:
    pairs = cat.duplicates.doubts()
    lines: list[str] = []
    if (allowed := rows_wanted(cat, args)) is None:
        members = hits_of(cat, (hit_id for pair in pairs for hit_id in (pair.first, pair.second)))
        if pairs:
            hint = "`catalog doubts --all` lists all, `catalog doubts 42` those of a hit"
            lines = [*place_lines(cat, members, unit="hits"), "", hint]
    else:
        pairs = [p for p in pairs if allowed >= {ANY} or allowed & {p.first, p.second}]
        lines = _pair_lines(cat, pairs)
    print_result(pairs, [*lines, f"pairs without a verdict: {len(pairs)}"], as_json=args.json)
    return OK


def _pair_lines(cat: Catalog, pairs: Sequence[UncertainPair]) -> list[str]:
    if not pairs:
        return []
    first, second = hits_of(cat, [p.first for p in pairs]), hits_of(cat, [p.second for p in pairs])
    short = cat.search.session_names()
    rows = [
        [percent(pair.evidence, 1), str(a.id), a.name, str(b.id), b.name, short.get(b.session, "")]
        for pair, a, b in zip(pairs, first, second, strict=True)
    ]
    header = ("in common", "first", "name", "second", "its name", "session")
    return table_lines(header, rows, right=frozenset({"in common", "first", "second"}))
