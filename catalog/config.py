"""The user's own defaults: `config.toml` in the user's configuration folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from catalog.errors import KitArgumentError, ParameterError
from catalog.kit.slots import NoteMap, read_note_map

KINDS: dict[type, str] = {
    str: "text",
    list: "a list of texts",
    dict: "a table, such as [notes] and snare = 38",
}
KEYS = ("store", "columns", "notes")


@dataclass(frozen=True)
class Config:
    """Defaults for options that are not given; None or empty where the file does not set one."""

    store: Path | None = None
    columns: tuple[str, ...] = ()
    notes: NoteMap = field(
        default_factory=dict
    )  # MIDI keys of slots in place of the General MIDI ones


def config_path() -> Path:
    """Return the path of the file, which need not exist."""
    import platformdirs

    return Path(platformdirs.user_config_dir("catalog", appauthor=False)) / "config.toml"


def read_config() -> Config:
    """Return the user's defaults; raise `ParameterError` if the file holds something else."""
    import tomllib

    path = config_path()
    try:
        values = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return Config()
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as err:
        raise ParameterError(f"{path}: cannot be read ({err}); correct or delete it") from err
    if unknown := set(values) - set(KEYS):
        raise ParameterError(f"{path}: {min(unknown)!r} is no setting; known are {', '.join(KEYS)}")
    store = _checked(path, values, "store", str)
    columns = _checked(path, values, "columns", list) or []
    try:
        notes = read_note_map(_checked(path, values, "notes", dict) or {})
    except KitArgumentError as err:
        raise ParameterError(f"{path}: {err}") from err
    return Config(Path(store).expanduser() if store else None, tuple(map(str, columns)), notes)


def _checked(path: Path, values: dict[str, Any], key: str, kind: type) -> Any:
    value = values.get(key)
    if value is not None and not isinstance(value, kind):
        raise ParameterError(f"{path}: {key} must be {KINDS[kind]}")
    return value
