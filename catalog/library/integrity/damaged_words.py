"""Notice damaged words of the user when they are read, and find the backup that has them."""

from __future__ import annotations

import logging
from collections.abc import Collection, Sequence
from typing import NamedTuple

from catalog.errors import StoreError
from catalog.library.backup.backup import STORE_ID
from catalog.library.backup.backup_files import BackupFile, list_backups
from catalog.library.backup.backup_reader import Row, read_backup
from catalog.library.integrity.checksums import (
    WORDS,
    CheckedPart,
    DamagedRow,
    checked_parts,
    fill_part,
)
from catalog.library.store.database import Database, placeholders

MAX_IDS = 500  # of one query; more are found by reading all checksums of words
logger = logging.getLogger(__name__)


class FoundRow(NamedTuple):
    """A row as a backup has it."""

    backup: BackupFile
    row: Row


def find_in_backups(database: Database, damaged: DamagedRow) -> FoundRow | None:
    """Return a damaged row from the newest backup of this store that has it; None if none has."""
    store_id = database.read_setting(STORE_ID)
    for file in list_backups(database.path):
        try:
            backup = read_backup(file)
        except StoreError:
            continue
        table = "hit" if damaged.part == WORDS else damaged.part
        for row in backup.tables.get(table, []) if backup.store_id == store_id else []:
            if row["row_number"] == damaged.row:
                return FoundRow(file, row)
    return None


def describe_damage(database: Database, damaged: DamagedRow, *, name: str = "") -> str:
    """Return which words are damaged, which backup has them, and what to do."""
    words = {
        WORDS: f"what you wrote about hit {damaged.row} (role, session, mark, tags, remark, names)",
        "kit": f"the kit “{name}”",
        "verdict": "a verdict on two hits",
        "act_change": "what an act changed",
    }
    found = find_in_backups(database, damaged)
    take = (
        f"{found.backup} has it: `catalog check --from-backup` restores it"
        if found
        else "no backup has it"
    )
    return (
        f"{database.path}: {words.get(damaged.part, damaged.part)} is damaged; {take},"
        " `catalog check --as-it-is` accepts it as it is now"
    )


class WordsCheck:
    """Compare words of the user with their checksums when they are read."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._parts: dict[str, CheckedPart] = {}

    def require(self, part: str, where: str = "1", values: Sequence[object] = ()) -> None:
        """Raise `StoreError` if a row that an SQL condition selects is damaged."""
        name = "t.name" if part == "kit" else "''"
        key = self._part(part).key_sql("t.")
        sql = f"SELECT {key}, {name} FROM {self._part(part).table} t WHERE {where}"
        for row, text in self._database.read(f"{sql} AND {self._is_damaged(part)}", values):
            damaged = DamagedRow(part, row)
            raise StoreError(describe_damage(self._database, damaged, name=str(text)))

    def report_hits(self, hit_ids: Sequence[int], annotated: Collection[int]) -> None:
        """Log a warning, once in each process, for every hit whose words are damaged.

        `annotated` are those of the hits that have words: a damaged row may have got some.
        """
        wrong = self._find_wrong(hit_ids)
        summed = f"SELECT row_id FROM row_checksum WHERE part = '{WORDS}'"
        if annotated:
            wrong |= {*annotated} - {row[0] for row in self._database.read(summed)}
        for hit_id in sorted(wrong - self._database.damaged_hits):
            self._database.damaged_hits.add(hit_id)
            logger.warning("%s", describe_damage(self._database, DamagedRow(WORDS, hit_id)))

    def describe_hits(self) -> list[str]:
        """Return the damage of the hits that were reported and are still damaged."""
        reported = self._database.damaged_hits
        if not reported:
            return []
        where = f"t.id IN ({placeholders(len(reported))}) AND {self._is_damaged(WORDS)}"
        sql = f"SELECT t.id FROM hit t WHERE {where} ORDER BY t.id LIMIT {MAX_IDS}"
        rows = self._database.read(sql, sorted(reported))
        return [describe_damage(self._database, DamagedRow(WORDS, row[0])) for row in rows]

    def _find_wrong(self, hit_ids: Sequence[int]) -> set[int]:
        """Return the hits with words that differ from their checksum."""
        wrong = f"c.checksum IS NOT {self._part(WORDS).sum_sql('t.')}"
        sql = (
            "SELECT c.row_id FROM row_checksum c LEFT JOIN hit t ON t.id = c.row_id"
            f" WHERE c.part = '{WORDS}'"
        )
        is_few = len(hit_ids) <= MAX_IDS
        chosen = list(hit_ids) if is_few else []
        limit = f" AND c.row_id IN ({placeholders(len(chosen))})" if is_few else ""
        return {row[0] for row in self._database.read(f"{sql}{limit} AND {wrong}", chosen)}

    def _part(self, name: str) -> CheckedPart:
        if not self._parts:
            with self._database.holding() as connection:
                self._parts = {part.name: part for part in checked_parts(connection)}
        return self._parts[name]

    def _is_damaged(self, name: str) -> str:
        part = self._part(name)
        stored = (
            f"SELECT checksum FROM row_checksum WHERE part = '{name}'"
            f" AND row_id = {part.key_sql('t.')}"
        )
        return f"({stored}) IS NOT {part.sum_sql('t.')}"


def accept_words(database: Database, rows: Sequence[DamagedRow]) -> None:
    """Compute the checksums of the parts of some rows again, so that they count as right."""
    names = {row.part for row in rows}
    with database.writing() as db:
        for part in checked_parts(db):
            if part.name in names:
                fill_part(db, part)


def take_from_backups(database: Database, rows: Sequence[DamagedRow]) -> list[DamagedRow]:
    """Replace damaged rows by those of the newest backup that has them; return which were."""
    taken = []
    for damaged in rows:
        found = find_in_backups(database, damaged)
        if found is None:
            continue
        with database.writing() as db:
            columns = {row[1] for row in db.execute(f"PRAGMA main.table_info({_table(damaged)})")}
            row = {key: value for key, value in found.row.items() if key in columns}
            if damaged.part == WORDS:
                _write_words(database, row)
            else:
                names, marks = ", ".join(row), placeholders(len(row))
                db.execute(
                    f"INSERT OR REPLACE INTO {damaged.part} ({names}) VALUES ({marks})",
                    tuple(row.values()),
                )
        taken.append(damaged)
    return taken


def _table(damaged: DamagedRow) -> str:
    return "hit" if damaged.part == WORDS else damaged.part


def _write_words(database: Database, row: Row) -> None:
    """Write the words of a hit; whether its file is set aside is what the store has."""
    columns = ["mark", "tags", "remark", "names", "hidden"]
    for name in ("role", "session"):
        if row[f"{name}_source"] == "user":
            columns += [name, f"{name}_source"]
    assignments = ", ".join(f"{column} = ?" for column in columns)
    values = [row[column] for column in columns if column in row]
    with database.writing() as db:
        db.execute(f"UPDATE hit SET {assignments} WHERE id = ?", (*values, row["id"]))
