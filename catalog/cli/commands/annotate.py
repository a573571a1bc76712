"""Commands that annotate hits: role, mark, tags, session and names."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from catalog.cli.output import (
    INCOMPLETE,
    OK,
    AddCommand,
    at_least_one,
    note_no_change,
    print_message,
    print_result,
)
from catalog.cli.selection import add_selection, confirm, read_hits, select_hits
from catalog.cli.table import hit_lines, table_lines
from catalog.errors import ParameterError
from catalog.models import EVENTS
from catalog.wording import percent

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.search.roles.questions import RoleQuestion

MARK_CHOICES = ("master", "spare", "no-good", "none")
SHOWN = ("id", "name", "role", "confidence", "session", "drum", "mark", "tags", "remark")


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    role = command("role", "set the role of hits", _role)
    role.add_argument(
        "role", metavar="ROLE", help="kick, snare, tom ..., or auto for the automatic one"
    )
    mark = command("mark", "mark hits, or remove their mark", _mark)
    mark.add_argument("mark", choices=MARK_CHOICES)
    tag = command("tag", "add tags to hits, or remove tags", _tag)
    tag.add_argument("--add", action="append", default=[], metavar="TAG", help="may be repeated")
    tag.add_argument("--drop", action="append", default=[], metavar="TAG", help="may be repeated")
    tag.add_argument("--remark", metavar="TEXT", help='free text; "" removes it')
    session = command(
        "session", 'set the session of hits; "" returns to the automatic name', _session
    )
    session.add_argument("name", metavar="NAME")
    name = command("name", "set drum, microphone, damping or event of hits or takes", _name)
    name.add_argument("--drum", metavar="NAME", help='"" returns to the name of the file')
    name.add_argument("--microphone", metavar="NAME", help='"" returns to the name of the file')
    name.add_argument(
        "--damping", choices=("open", "damped", ""), metavar="DAMPING",
        help='open or damped; "" returns to the name',
    )  # fmt: skip
    name.add_argument(
        "--event", choices=("", *EVENTS), metavar="EVENT",
        help=f'{", ".join(EVENTS)}; "" returns to what was judged',
    )  # fmt: skip
    name.add_argument("--take", action="store_true", help="all strokes of the takes of the hits")
    unsure = command("unsure", "list the hits whose role is most worth naming", _unsure)
    unsure.add_argument("-n", type=at_least_one, default=12, help="questions (default: 12)")
    learned = command("learned", "show what was learned of roles, or forget it", _learned)
    which = learned.add_mutually_exclusive_group()
    which.add_argument("--forget", action="store_true", help="estimate by name and sound alone")
    which.add_argument("--again", action="store_true", help="learn again after --forget")
    for parser in (role, mark, tag, session, name):
        add_selection(parser, acts=True)


def _change(
    cat: Catalog,
    args: argparse.Namespace,
    *,
    what: str,
    change: Callable[[Sequence[int]], Any],
    columns: Sequence[str] = SHOWN,
) -> int:
    """Change the selected hits if that is confirmed, and print them."""
    ids = select_hits(cat, args)
    before = read_hits(cat, ids)
    if not confirm(cat, args, ids, what=what):
        print_result(before, (), as_json=args.json)
        return INCOMPLETE if ids else OK
    change(ids)
    hits = read_hits(cat, ids)
    print_result(hits, hit_lines(cat, hits, columns=columns), as_json=args.json)
    return note_no_change(hits != before)


def _role(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.search.conditions.names import find_roles

    roles = ("",) if args.role == "auto" else find_roles([args.role])
    if len(roles) > 1:
        raise ParameterError(f"{args.role!r} means several roles: {', '.join(roles)}; give one")

    def change(ids: Sequence[int]) -> None:
        answer = cat.annotations.set_role(ids, roles[0])
        if answer.followed:
            print_message(f"{answer}; `catalog undo` takes this and the role back")

    what = f"set the role {roles[0]}" if roles[0] else "return to the automatic role"
    return _change(cat, args, what=what, change=change)


def _mark(cat: Catalog, args: argparse.Namespace) -> int:
    mark = "" if args.mark == "none" else args.mark

    def change(ids: Sequence[int]) -> None:
        cat.annotations.annotate(ids, mark=mark)

    what = f"mark as {mark}" if mark else "remove the mark"
    return _change(cat, args, what=what, change=change)


def _tag(cat: Catalog, args: argparse.Namespace) -> int:
    def change(ids: Sequence[int]) -> None:
        cat.annotations.annotate(ids, add=args.add, drop=args.drop, remark=args.remark)

    parts = [f"add the tag {tag}" for tag in args.add] + [f"remove the tag {t}" for t in args.drop]
    parts += ["set the remark"] if args.remark is not None else []
    if not parts:
        word = next((text for text in args.hits if not text.isdecimal() and text != "-"), "dry")
        raise ParameterError(
            "nothing to change: give --add, --drop or --remark, such as"
            f" `catalog tag --add {word} 42`"
        )
    return _change(cat, args, what=" and ".join(parts), change=change)


def _session(cat: Catalog, args: argparse.Namespace) -> int:
    def change(ids: Sequence[int]) -> None:
        cat.takes.set_session(ids, args.name)

    what = f"set the session {args.name}" if args.name else "return to the automatic session"
    return _change(cat, args, what=what, change=change)


def _name(cat: Catalog, args: argparse.Namespace) -> int:
    names = {
        "drum": args.drum, "microphone": args.microphone, "damping": args.damping,
        "event": args.event,
    }  # fmt: skip
    if all(name is None for name in names.values()):
        raise ParameterError("nothing to set; give --drum, --microphone, --damping or --event")

    def change(ids: Sequence[int]) -> None:
        cat.takes.set_names(ids, **names, whole_take=args.take)

    listed = [
        f"{field} {name or 'by the file'}" for field, name in names.items() if name is not None
    ]
    columns = ("id", "name", "role", "session", "drum", "microphone", "damping")
    return _change(cat, args, what=f"set {', '.join(listed)}", change=change, columns=columns)


def _unsure(cat: Catalog, args: argparse.Namespace) -> int:
    questions = cat.roles.questions(args.n)
    header = ("hit", "name", "hits", "likely", "decides")
    names = {hit.id: hit.name for hit in read_hits(cat, [q.hit_id for q in questions])}
    rows = [_question_row(question, names[question.hit_id]) for question in questions]
    lines = table_lines(header, rows, right=frozenset({"hit", "hits", "decides"}))
    if questions:
        first = " ".join(map(str, questions[0].hit_ids))
        lines += ["", f"`catalog role {questions[0].likely[0]} {first}` answers the first one"]
    print_result(questions, lines if questions else ["every role is certain"], as_json=args.json)
    return OK


def _question_row(question: RoleQuestion, name: str) -> list[str]:
    pairs = zip(question.likely[:2], question.chances[:2], strict=True)
    likely = ", ".join(f"{role} {percent(chance)}" for role, chance in pairs)
    n_hits = str(len(question.hit_ids))
    return [str(question.hit_id), name, n_hits, likely, str(question.n_affected)]


def _learned(cat: Catalog, args: argparse.Namespace) -> int:
    shifts = cat.roles.forget(forget=args.forget) if args.forget or args.again else []
    summary = cat.roles.summary()
    words = {True: "yes", False: "no"}
    lines = [
        f"{name.replace('_', ' ')}: {words[value] if isinstance(value, bool) else value}"
        for name, value in summary._asdict().items()
    ]
    if args.forget or args.again:
        lines.append(f"estimated roles that have changed: {len(shifts)}")
    print_result(summary, lines, as_json=args.json)
    return OK
