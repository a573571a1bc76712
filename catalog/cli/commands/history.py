"""Commands that list what was done, take it back, and do it again."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from catalog.cli.output import (
    INCOMPLETE,
    OK,
    YES_HELP,
    AddCommand,
    print_result,
    short_path,
    to_json_value,
)
from catalog.errors import ParameterError, StoreArgumentError

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.library.undo.undo import UndoResult
    from catalog.reports import Act, HistoryEvent

NOTHING_TO_UNDO = "nothing was undone: nothing of that kind is in force"
NOTHING_TO_REDO = "nothing was done again: no act was undone just before"
N_ACTS = 20  # listed by default


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    undo = command("undo", "take back the last act, or some acts of the history", _undo)
    undo.add_argument("acts", nargs="*", type=int, metavar="ACT", help="as printed by `history`")
    undo.add_argument(
        "--all", action="store_true", help="bring back all files set aside and all hidden hits"
    )
    undo.add_argument("--yes", action="store_true", help=YES_HELP)
    redo = command("redo", "do the act again that was taken back last", _redo)
    redo.add_argument("--yes", action="store_true", help=YES_HELP)
    history = command("history", "list what you did, act by act, the newest last", _history)
    history.add_argument("acts", nargs="*", type=int, metavar="ACT", help="with all their files")
    history.add_argument("-n", type=int, default=N_ACTS, help=f"how many (default: {N_ACTS})")
    history.add_argument("--all", action="store_true", help="all acts")


def _undo(cat: Catalog, args: argparse.Namespace) -> int:
    if args.acts and args.all:
        raise ParameterError("give numbers of acts or --all, not both")
    chosen = _chosen(cat, args)
    if not args.yes and (args.all or any(cat.files.moves_files(act) for act in chosen)):
        lines = [f"would undo: {_act_line(act)}" for act in chosen]
        lines += [f"  {_event_line(event)}" for event in _events(cat, chosen)]
        lines.append("nothing was undone; add --yes to do it" if chosen else NOTHING_TO_UNDO)
        print_result({"dry_run": True, "acts": chosen}, lines, as_json=args.json)
        return OK if chosen else INCOMPLETE
    ids = args.acts or None
    return _print_result(cat.files.undo(ids, everything=args.all), args, "undone")


def _chosen(cat: Catalog, args: argparse.Namespace) -> list[Act]:
    acts = cat.files.acts()
    if args.all:
        return [act for act in acts if cat.files.moves_files(act) and not act.undone]
    in_force = [act for act in acts if act.n_changes and not act.undone]
    known = {act.id for act in acts if act.n_changes}
    if unknown := set(args.acts) - known:
        raise StoreArgumentError(
            f"act {min(unknown)} is not in the history, or cannot be undone any more"
        )
    return [act for act in in_force if act.id in args.acts] if args.acts else in_force[-1:]


def _redo(cat: Catalog, args: argparse.Namespace) -> int:
    act = cat.files.next_redo()
    if act is not None and cat.files.moves_files(act) and not args.yes:
        lines = [f"would do again: {_act_line(act)}", "nothing was done; add --yes to do it"]
        print_result({"dry_run": True, "acts": [act]}, lines, as_json=args.json)
        return OK
    return _print_result(cat.files.redo(), args, "done again")


def _print_result(result: UndoResult, args: argparse.Namespace, word: str) -> int:
    lines = [f"{word}: {_act_line(act)}" for act in result.acts]
    lines += [f"  {_event_line(event)}" for event in result.events]
    lines += [f"not {word}: hit {hit_id}: {reason}" for hit_id, reason in result.left]
    lines += count_lines(result.events)
    nothing = NOTHING_TO_UNDO if word == "undone" else NOTHING_TO_REDO
    print_result(result, lines or [nothing], as_json=args.json)
    return INCOMPLETE if result.left or not result.acts else OK


def _history(cat: Catalog, args: argparse.Namespace) -> int:
    acts = cat.files.acts(None if args.all or args.acts else args.n)
    if args.acts:
        if unknown := set(args.acts) - {act.id for act in acts}:
            raise StoreArgumentError(f"act {min(unknown)} is not in the history")
        acts = [act for act in acts if act.id in args.acts]
    events = _events(cat, acts) if args.json or args.acts else []
    by_act: dict[int, list[HistoryEvent]] = {}
    for event in events:
        by_act.setdefault(event.step, []).append(event)
    lines = []
    for act in acts:
        lines.append(_act_line(act) + ("  (undone)" if act.undone else ""))
        lines += [f"  {_event_line(event)}" for event in by_act.get(act.id, ())]
    value = [_act_value(act, by_act.get(act.id, [])) for act in acts]
    print_result(value, lines or ["nothing was done yet"], as_json=args.json)
    return OK


def _act_value(act: Act, events: Sequence[HistoryEvent]) -> dict[str, Any]:
    """Return an act for JSON, with the words that each of its events has as well."""
    reason = events[0].reason if events else act.summary
    more = {"step": act.id, "action": act.verb, "reason": reason, "events": events}
    return {**to_json_value(act), **to_json_value(more)}


def _events(cat: Catalog, acts: Sequence[Act]) -> list[HistoryEvent]:
    ids = {act.id for act in acts}
    return [event for event in cat.history() if event.step in ids]


def _act_line(act: Act) -> str:
    return f"{act.id:>6}  {act.time_utc}  {act.verb:<11} {act.summary}"


def print_events(events: Sequence[HistoryEvent], args: argparse.Namespace) -> int:
    """Print what was done to hits, with counts; return the exit code."""
    print_result(events, [*map(_event_line, events), *count_lines(events)], as_json=args.json)
    return OK


def count_lines(events: Sequence[HistoryEvent]) -> list[str]:
    """Return a line with the number of events of each action."""
    return [f"{n}: {action}" for action, n in Counter(e.action for e in events).items()]


def _event_line(event: HistoryEvent) -> str:
    source, target = short_path(event.source), short_path(event.target)
    return (
        f"{event.time_utc}  step {event.step}  {event.action}  hit {event.hit_id}: {source}"
        + (f" -> {target}" if target != source else "")
        + (f"  ({event.reason})" if event.reason else "")
    )
