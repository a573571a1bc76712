"""Which hits a command is for: numbers, a query, or numbers from standard input; always last."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from catalog.cli.output import at_least_one, can_ask, hit_number, is_agreed, print_message
from catalog.errors import ParameterError
from catalog.features.descriptors.table import DESCRIPTORS

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit
    from catalog.search.query import Query

HITS_HELP = "numbers, words and conditions such as role:snare, or - for numbers from a pipe"
# The words of `catalog.search.conditions.columns.NUMBER_WORDS`, here without importing numpy.
NUMBER_WORDS = {descriptor.word: descriptor.hint for descriptor in DESCRIPTORS} | {
    "confidence": "of the role: ..60%%",
    "rate": "sample rate: 48k",
    "channels": "1, 2 ...",
    "at": "start in its file: 10s..",
}
LIST_OPTIONS = {
    "role": "kick, snare, hat (all hats), hat_open ...",
    "session": "its name, last part, or a piece that no other has; * and ? match several",
    "drum": "its name or a piece of it",
    "name": "of the hit, with * and ?; with a slash: of the whole path",
    "mark": "master, spare, no-good, or none",
    "tag": "all that are given",
    "microphone": "its name",
    "damping": "open or damped",
    "event": "stroke, roll, loop ...: what the recording holds",
    "fault": "hum, click, clipped ...; any for all kinds",
}
DATE_OPTIONS = {
    "recorded": "2024, 2024-03..2024-05, ..2023",
    "scanned": "today, 7d.. (the last week), 2026-11-30",
}
ANY = 0  # no hit has this number
SAMPLES = 3  # hits that are named before a change of many
OPTIONS_WITH_DASH = frozenset(f"--{word.replace('_', '-')}" for word in ("sort", *NUMBER_WORDS))


def join_values(arguments: Sequence[str]) -> list[str]:
    """Join options with their value where it begins with a dash: "--sort -length", "--peak -6..".

    Argparse would read such a value as another option.
    """
    joined: list[str] = []
    for argument in arguments:
        if joined and joined[-1] in OPTIONS_WITH_DASH and argument[:1] == "-":
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def add_selection(
    parser: argparse.ArgumentParser, *, show: bool = False, acts: bool = False
) -> None:
    """Add the hits, and the options of a query; a command that changes hits also gets `--yes`."""
    if acts:
        parser.add_argument(
            "--yes", action="store_true", help="change hits of a query without asking"
        )
    parser.add_argument("hits", nargs="*", metavar="HITS", help=HITS_HELP)
    parser.set_defaults(takes_hits=True)
    add_query_options(parser, show=show)


def add_query_options(parser: argparse.ArgumentParser, *, show: bool = False) -> None:
    """Add the options of a query but those that the command uses otherwise.

    They are listed in the help if `show`; other commands refer to `catalog hits --help`.
    """
    group = parser.add_argument_group(
        "query", None if show else "the options of `catalog hits --help`, such as --role snare"
    )

    def add(option: str, text: str, **more: Any) -> None:
        if option not in parser._option_string_actions:
            dest = "query_" + option.lstrip("-").replace("-", "_")
            group.add_argument(
                option, dest=dest, default=None, help=text if show else argparse.SUPPRESS, **more
            )

    for word, text in LIST_OPTIONS.items():
        add(f"--{word}", text, action="append", metavar=word.upper())
    add("--unsure", "whose role is uncertain and was not set by you", action="store_const",
        const=True)  # fmt: skip
    add("--misnamed", "whose name contradicts the sound", action="store_const", const=True)
    for word in NUMBER_WORDS:
        text = NUMBER_WORDS[word]
        add(f"--{word.replace('_', '-')}", text, action="append", metavar="RANGE")
    for word, text in DATE_OPTIONS.items():
        add(f"--{word}", text, action="append", metavar="DATES")
    add("--like", "nearest in sound first", type=hit_number, metavar="HIT")
    add("--copies-of", "the copies of a hit", type=hit_number, metavar="HIT")
    add("--where", "an SQL expression: \"length > 1 and role != 'kick'\"", metavar="EXPRESSION")
    add("--state", "here (default), missing, aside or hidden",
        choices=("here", "missing", "aside", "hidden"))  # fmt: skip
    add("--sort", "columns, - before one for the largest first: -length,name; the newest first:"
        " -scanned", metavar="COLUMNS")  # fmt: skip
    add("--limit", "how many at most", type=at_least_one, metavar="N")
    add("--microphones", "each microphone of a stroke is a hit", action="store_const", const=True)


def read_query(args: argparse.Namespace, *, states: Sequence[str] = ()) -> Query:
    """Return the query of a command's arguments; `states` are those meant without --state."""
    from catalog.search.conditions.text import parse_query
    from catalog.search.query import make_query, merge

    ids: list[int] = []
    words: list[str] = []
    for text in getattr(args, "hits", ()):
        if text == "-":
            ids += _read_ids()
        elif text.isdecimal():
            ids.append(int(text))
        else:
            words.append(_quote(text))
    options = {
        name.removeprefix("query_"): value
        for name, value in vars(args).items()
        if name.startswith("query_") and value is not None
    }
    if "state" in options:
        options["states"] = (options.pop("state"),)
    elif states and not ids:
        options["states"] = tuple(states)
    if "microphones" in options:
        options["each_microphone"] = options.pop("microphones")
    numbers = [text for text in getattr(args, "hits", ()) if text == "-" or text.isdecimal()]
    given = make_query(**options, ids=tuple(dict.fromkeys(ids)) if numbers else None)
    return merge(parse_query(" ".join(words)), given)


def _quote(text: str) -> str:
    """Return an argument that the shell has taken its quotes from, as one term of a query."""
    if " " not in text or '"' in text:
        return text
    word, sign, value = text.partition(":")
    if sign and word.replace("-", "").replace("_", "").isalnum() and " " not in word:
        return f'{word}:"{value}"'
    return text


def _read_ids() -> list[int]:
    try:
        return [int(word) for word in sys.stdin.read().split()]
    except ValueError as err:
        raise ParameterError(
            f"-: standard input must hold numbers of hits, as `catalog hits --ids` prints ({err})"
        ) from err


def names_numbers(args: argparse.Namespace) -> bool:
    """Return whether a command names its hits by their numbers, and has no other condition."""
    is_number = [text == "-" or text.isdecimal() for text in args.hits]
    return bool(is_number) and all(is_number) and not has_options(args)


def has_options(args: argparse.Namespace) -> bool:
    """Return whether an option of a query is given."""
    return any(
        name.startswith("query_") and value is not None for name, value in vars(args).items()
    )


def add_rows_wanted(parser: argparse.ArgumentParser) -> None:
    """Let a command print all rows with `--all`, or those of a query; otherwise it counts."""
    parser.add_argument("--all", action="store_true", help="list every row, not only counts")
    add_selection(parser)


def rows_wanted(cat: Catalog, args: argparse.Namespace) -> set[int] | None:
    """Return the hits whose rows are wanted, with `ANY` for all of them; None for counts only."""
    if args.hits or has_options(args):
        return set(select_hits(cat, args))
    return {ANY} if args.all else None


def query_filter(cat: Catalog, args: argparse.Namespace) -> set[int] | None:
    """Return the ids that the options of a query allow; None if none is given."""
    return set(cat.search.find_ids(read_query(args))) if has_options(args) else None


def select_hits(cat: Catalog, args: argparse.Namespace, *, states: Sequence[str] = ()) -> list[int]:
    """Return the ids that a command is for; hits named by number may be in any state.

    Raise `ParameterError` if no hit is named.
    """
    query = read_query(args, states=states)
    if names_numbers(args):
        return [hit.id for hit in read_hits(cat, query.ids or ())]
    if not args.hits and not has_options(args):
        raise ParameterError(
            "no hits are given; name numbers, a query such as role:snare, or - for numbers from"
            " a pipe"
        )
    return cat.search.find_ids(query)


def read_hits(cat: Catalog, ids: Sequence[int]) -> list[Hit]:
    """Return hits by id, each once; raise `StoreArgumentError` if one is unknown."""
    hits = cat.context.hits_in_order(ids)
    return hits if len(hits) == len(set(ids)) else [cat.hit(hit_id) for hit_id in ids]


def confirm(cat: Catalog, args: argparse.Namespace, ids: Sequence[int], *, what: str) -> bool:
    """Return whether to change hits: those named by number at once, others after a question.

    The question is put on a terminal only; elsewhere `--yes` must be given. `what` completes
    "would ... 12 hits": "mark as master".
    """
    if args.yes or names_numbers(args):
        return True
    names = ", ".join(f"{hit.id} {hit.name}" for hit in cat.context.hits_in_order(ids[:SAMPLES]))
    more = f" and {len(ids) - SAMPLES} more" if len(ids) > SAMPLES else ""
    listed = f" ({names}{more})" if ids else ""
    print_message(f"would {what}: {len(ids)} hit{'s' * (len(ids) != 1)}{listed}")
    if not ids:
        return False
    if not can_ask(args):
        print_message("nothing was changed; add --yes to do it")
        return False
    return is_agreed("Go on?")
