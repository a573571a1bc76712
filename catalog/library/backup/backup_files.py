"""The backups beside a store: their names and times, and the sentence that names the newest one."""

from __future__ import annotations

import contextlib
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

TIME_FORMAT = "%Y-%m-%dT%H-%M-%SZ"  # a name that every file system allows
NAME = re.compile(r"\d{4}-\d\d-\d\dT\d\d-\d\d-\d\dZ\.sqlite")
COMMAND = "catalog recover --backup"


@dataclass(frozen=True)
class BackupFile:
    """One backup of a store."""

    path: Path
    time: datetime  # when it was made, UTC

    def __str__(self) -> str:
        return f"the backup of {self.time:%Y-%m-%d %H:%M} UTC ({self.path})"


def backup_folder(store: Path) -> Path:
    """Return the folder beside a store that holds its backups."""
    return store.with_name(store.name + ".backups")


def backup_path(store: Path, time: datetime) -> Path:
    """Return the path of the backup of one time."""
    return backup_folder(store) / f"{time.astimezone(UTC).strftime(TIME_FORMAT)}.sqlite"


def list_backups(store: Path) -> list[BackupFile]:
    """Return the backups of a store, the newest first; none if the folder cannot be read."""
    try:
        names = [path for path in backup_folder(store).iterdir() if NAME.fullmatch(path.name)]
    except OSError:
        return []
    found = [BackupFile(path, _time(path)) for path in names]
    return sorted(found, key=lambda backup: backup.time, reverse=True)


def part_path(backup: Path) -> Path:
    """Return where this process writes a backup before it is renamed."""
    return backup.with_suffix(f".{os.getpid()}.part")


def clear_unfinished(store: Path) -> None:
    """Delete the unfinished backups of processes that were killed."""
    for path in backup_folder(store).glob("*.*.part"):
        import psutil  # takes 25 ms, and is rarely needed

        pid = path.suffixes[-2].removeprefix(".")
        if pid.isdigit() and not psutil.pid_exists(int(pid)):
            with contextlib.suppress(OSError):
                path.unlink()


def backup_at(path: Path) -> BackupFile:
    """Return the backup at a path; the time is in its name, or else that of the file."""
    place = path.absolute()
    try:
        return BackupFile(place, _time(place))
    except ValueError:
        stamp = place.stat().st_mtime if place.exists() else 0.0
        return BackupFile(place, datetime.fromtimestamp(stamp, UTC))


def _time(path: Path) -> datetime:
    return datetime.strptime(path.stem, TIME_FORMAT).replace(tzinfo=UTC)


def describe_newest(store: Path) -> str:
    """Return which backup restores a store, and how; "" if there is none."""
    backups = list_backups(store)
    return f"{backups[0]} holds what you wrote; `{COMMAND}` restores it" if backups else ""
