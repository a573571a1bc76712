"""The groups of commands in the help, and an example of each command."""

from __future__ import annotations

from collections.abc import Mapping

GROUPS = {
    "library": ("scan", "info", "skipped", "check", "recover", "map", "open", "demo", "guide"),
    "find": ("hits", "show", "play", "alternates", "similar", "related", "align", "copy-out"),
    "annotate": ("role", "mark", "tag", "session", "name", "drums", "unsure", "learned"),
    "duplicates": ("copies", "keep", "doubts", "same", "set-aside", "restore", "hide", "unhide",
                   "mixes"),
    "kits": ("fill", "swap", "kits", "adjust", "tune", "masking", "compare", "phrase", "export",
             "taste", "rename-kit", "delete-kit"),
    "takes": ("takes", "regions", "cut", "microphones", "strokes", "sides", "sessions"),
    "review": ("faults", "dismiss", "coverage"),
    "undo": ("undo", "redo", "history"),
}  # fmt: skip
EXAMPLES = {
    "scan": "catalog scan ~/recordings",
    "info": "catalog info",
    "skipped": "catalog skipped",
    "check": "catalog check",
    "recover": "catalog recover --backup",
    "map": "catalog map",
    "open": "catalog open",
    "demo": "catalog demo",
    "guide": "catalog guide search",
    "hits": "catalog hits --role snare --session boathouse --length ..200ms --sort -peak",
    "show": "catalog show 42",
    "play": "catalog play 42",
    "alternates": "catalog alternates 42 -n 5",
    "similar": "catalog similar 42 --elsewhere --but brighter",
    "related": "catalog related 42",
    "align": "catalog align 5 61",
    "copy-out": "catalog copy-out ~/for-mixing mark:master role:snare",
    "drums": 'catalog drums 22 --name "Tin of rice"',
    "role": "catalog role tom 17 18",
    "mark": "catalog mark master 42",
    "tag": "catalog hits --session loft --ids | catalog tag --add dry -",
    "session": 'catalog session "Cellar, second evening" 42 43',
    "name": 'catalog name --drum "Floor tom" --damping damped 288',
    "unsure": "catalog unsure -n 5",
    "learned": "catalog learned --forget",
    "copies": "catalog copies session:loft",
    "keep": "catalog keep session:barn",
    "doubts": "catalog doubts --all",
    "same": "catalog same 82 83 --not",
    "set-aside": "catalog set-aside --copies",
    "restore": "catalog restore 53",
    "hide": "catalog hide 54",
    "unhide": "catalog unhide 54",
    "mixes": "catalog mixes session:for_mixing",
    "fill": "catalog fill kick=5 snare=42 --session barn --save evening",
    "swap": "catalog swap evening snare",
    "kits": "catalog kits",
    "adjust": "catalog adjust evening snare --level -2",
    "tune": "catalog tune evening",
    "masking": "catalog masking evening",
    "compare": "catalog compare evening morning",
    "phrase": "catalog phrase evening groove.wav",
    "export": "catalog export evening kits/evening --subtype PCM_16",
    "taste": "catalog taste",
    "rename-kit": "catalog rename-kit evening dry",
    "delete-kit": "catalog delete-kit evening",
    "takes": "catalog takes",
    "regions": "catalog regions 288",
    "cut": "catalog cut 288 strokes",
    "microphones": "catalog microphones 288",
    "strokes": "catalog strokes",
    "sides": "catalog sides",
    "sessions": "catalog sessions",
    "faults": "catalog faults --kind hum",
    "dismiss": "catalog dismiss second 8",
    "coverage": "catalog coverage role:tom",
    "undo": "catalog undo",
    "redo": "catalog redo",
    "history": "catalog history",
}
OTHERS = "others"


def group_text(commands: Mapping[str, str]) -> str:
    """Return the list of commands by group for the help, with what each does."""
    grouped = {name for names in GROUPS.values() for name in names}
    rest = tuple(name for name in commands if name not in grouped)
    lines: list[str] = []
    for title, names in (*GROUPS.items(), (OTHERS, rest)):
        known = [name for name in names if name in commands]
        if known:
            lines += ["", f"{title}:", *(f"  {name:<12} {commands[name]}" for name in known)]
    return "\n".join([*lines[1:], "", "`catalog COMMAND --help` shows the options of a command."])
