"""Set files aside, hide hits, restore them; undo and redo all acts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path

from catalog.context import Context, check_ids
from catalog.errors import StoreArgumentError
from catalog.kit.model import Kit, describe_usage, kits_using
from catalog.library.backup.recover import RECOVER, RecoverResult, recover_aside
from catalog.library.files.copy_out import copy_files
from catalog.library.files.journal import clear_warnings, read_warnings
from catalog.library.files.set_aside import (
    RestoreOptions,
    find_obstacle,
    hide_hits,
    hits_of_files,
    restore_hits,
    set_aside_hits,
    unhide_hits,
)
from catalog.library.scan.successors import (
    announce_hand_over,
    hand_over,
    plan_hand_over,
    take_back,
)
from catalog.library.store.acts.log import FILE
from catalog.library.undo.undo import UndoResult, undo_acts
from catalog.models import Action
from catalog.reports import Act, HistoryEvent
from catalog.services.roles.propagation import propagate_roles

MOVES = (Action.SET_ASIDE, Action.RESTORE, Action.HIDE, Action.UNHIDE, RECOVER)
CHANGES_ROLES = ("role", "cut", "forget", "learn")  # verbs


class Files:
    """Set unwanted files aside or hide their hits; nothing is ever deleted."""

    def __init__(self, context: Context) -> None:
        self._context = context

    def copy_out(self, hit_ids: Sequence[int], folder: str | Path) -> list[Path]:
        """Copy the files of hits to a new folder; nothing is moved, and each copy is verified.

        Parameters
        ----------
        hit_ids : sequence of int
        folder : str or Path, must not exist yet

        Returns
        -------
        list of Path, the copies; a take is copied once, a stroke with all its microphones

        Raises
        ------
        ParameterError
            if the folder exists
        AudioError
            if a file cannot be copied
        StoreError
            if a hit is unknown
        """
        hits = [self._context.hit(hit_id) for hit_id in dict.fromkeys(hit_ids)]
        return copy_files(hits, Path(folder).absolute())

    def set_aside(
        self, hit_ids: Sequence[int], *, reason: str, even_in_kits: bool = False
    ) -> list[HistoryEvent]:
        """Move the files of hits to a folder beside the store; `restore` and `undo` move them back.

        Parameters
        ----------
        hit_ids : sequence of int
        reason : str, kept in the history
        even_in_kits : bool
            also hits that a saved kit uses; see `kits_using`

        Returns
        -------
        list of HistoryEvent, one a hit

        Raises
        ------
        StoreError
            if a hit is unknown, not present, used by a saved kit, or its file cannot be moved

        Examples
        --------
        >>> group = cat.copies()[0]
        >>> steps = cat.set_aside(group.others, reason="copy")
        >>> cat.hit(group.others[0]).state
        'aside'
        >>> undone = cat.undo()
        >>> cat.hit(group.others[0]).state
        'here'
        """
        hit_ids = check_ids(hit_ids)
        if not even_in_kits and (used := self.kits_using(hit_ids)):
            raise StoreArgumentError(
                f"{describe_usage(used)}, which could then not be exported; nothing was moved. Use "
                "even_in_kits=True (--even-in-kits) to set it aside anyway"
            )
        plan = self.plan_hand_over(hit_ids)
        if plan:  # a program that is killed after the moves does the rest when it starts again
            announce_hand_over(self._context.store, plan)
        try:
            return set_aside_hits(self._context.store, hit_ids, reason=reason)
        finally:  # also for those that were moved before one failed
            self._hand_over(plan)

    def plan_hand_over(self, hit_ids: Sequence[int]) -> dict[int, int]:
        """Return the copy that gets the annotations of each hit that is to be set aside.

        Mark, tags, remark, role, session and names go to a present hit of the same content, where
        that has none of its own; `restore` and `undo` take them back.
        """
        return plan_hand_over(self._context.store, hit_ids)

    def restore(
        self, hit_ids: Sequence[int], *, as_it_is: bool = False, other_disk: bool = False
    ) -> list[HistoryEvent]:
        """Move files that were set aside back to their original paths, byte for byte.

        Parameters
        ----------
        hit_ids : sequence of int
        as_it_is : bool
            also files that have changed since they were set aside; the next scan of their folder
            measures them again
        other_disk : bool
            also where another disk is mounted than when the file was set aside

        Raises
        ------
        StoreError
            if a hit is not set aside, its file has changed, the disk that it came from is not
            mounted, or another file now has its path
        """
        options = RestoreOptions(as_it_is=as_it_is, other_disk=other_disk)
        ids = check_ids(hit_ids)
        events = restore_hits(self._context.store, ids, options=options)
        self._take_back(ids)
        return events

    def recover(self) -> RecoverResult:
        """Put files that are set aside, but that the store does not hold, into the store again.

        The journal in the folder beside the store gives their original paths; afterwards `restore`
        and `undo` move them back. No file is moved.

        Returns
        -------
        RecoverResult
            with the files that could not be recovered, each with the reason
        """
        return recover_aside(self._context.store)

    def hide(self, hit_ids: Sequence[int], *, reason: str = "") -> list[HistoryEvent]:
        """Leave hits out of lists, searches, copies and kits without touching their files.

        This is meant for files in folders that are read-only or on another machine.

        Raises
        ------
        StoreError
            if a hit is unknown, set aside, or already hidden
        """
        return hide_hits(self._context.store, check_ids(hit_ids), reason=reason)

    def unhide(self, hit_ids: Sequence[int]) -> list[HistoryEvent]:
        """Show hidden hits again.

        Raises
        ------
        StoreError
            if a hit is unknown or not hidden
        """
        return unhide_hits(self._context.store, check_ids(hit_ids))

    def obstacles(self, hit_ids: Sequence[int], *, keep_exports: bool = False) -> dict[int, str]:
        """Return the reason for each hit that cannot be set aside; the others are left out.

        The file of a take can be set aside if all its strokes are among the hits.
        With `keep_exports`, files of exported kits stay as well, so that their folders remain
        complete.
        """
        store = self._context.store
        found = {i: reason for i in hit_ids if (reason := find_obstacle(store, i, hit_ids))}
        for hit in map(self._context.hit, hit_ids) if keep_exports else ():
            if hit.exported and hit.id not in found:
                kit = store.exports.kit_of(hit.content_hash)
                found[hit.id] = (
                    f"{hit.path}: is a file of the exported kit “{kit}”, which would be incomplete"
                )
        return found

    def kits_using(self, hit_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
        """Return the names of the saved kits that use each hit; hits in no kit are left out."""
        kits = (Kit.from_json(kit.payload) for kit in self._context.store.kits.read())
        return kits_using(kits, hit_ids)

    def size_of(self, hit_ids: Sequence[int]) -> int:
        """Return the size of the files of hits, with all microphones, in bytes, each file once."""
        hits = (self._context.hit(hit_id) for hit_id in hit_ids)
        files = {
            path for hit in hits for path in (*hit.files, *(mic.path for mic in hit.microphones))
        }
        return sum(path.stat().st_size for path in files if path.is_file())

    # Acts

    def as_one_act(self, verb: str, summary: str) -> AbstractContextManager[None]:
        """Record all that is done in a block as one act."""
        return self._context.store.act(verb, summary)

    def acts(self, n: int | None = None) -> list[Act]:
        """Return what was done, act by act, or the last `n` acts; the newest last."""
        return self._context.store.acts.read(n)

    def next_redo(self) -> Act | None:
        """Return the act that `redo` would do again; None without one."""
        return self._context.store.acts.last_undone()

    def next_undo(self) -> Act | None:
        """Return the act that `undo` would take back; None without one."""
        return self._context.store.acts.last_done()

    def newest_number(self) -> int:
        """Return the number given last to an act, or to an undo; later acts have larger ones."""
        return self._context.store.acts.newest_number()

    def moves_files(self, act: Act) -> bool:
        """Return whether undoing an act moves files, or changes what is listed."""
        return act.verb in MOVES

    def undo(self, acts: Sequence[int] | None = None, *, everything: bool = False) -> UndoResult:
        """Undo the last act, or some acts in any order.

        Rows are all written, or none. Files are moved back byte for byte; each returns to where it
        was before the earliest of the acts.

        Parameters
        ----------
        acts : sequence of int, optional, each an `Act.id`; None for the last act in force
        everything : bool
            instead, every act that set files aside, restored or hid hits

        Returns
        -------
        UndoResult
            with the hits that could not be restored and why; no file is ever overwritten

        Raises
        ------
        StoreError
            if an act is unknown or cannot be undone, or if something that it changed was changed
            since; nothing is changed then

        Examples
        --------
        >>> snare = next(hit for hit in cat.hits() if hit.role == "snare")
        >>> cat.annotations.mark([snare.id], "spare")
        >>> cat.undo().acts[0].verb, cat.hit(snare.id).mark
        ('mark', '')
        """
        store = self._context.store
        if everything:
            chosen = [act for act in store.acts.read() if act.verb in MOVES and not act.undone]
        elif acts is None:
            last = store.acts.last_done()
            chosen = [last] if last else []
        else:
            chosen = [self._act(act_id) for act_id in dict.fromkeys(acts)]
            chosen = [act for act in chosen if not act.undone]
        result = undo_acts(store, chosen)
        self._after(result)
        return result

    def redo(self) -> UndoResult:
        """Do the act again that was undone last, unless something else was done since.

        Returns
        -------
        UndoResult
            without acts if there is none

        Raises
        ------
        StoreError
            if something that it would change was changed since; nothing is changed then
        """
        store = self._context.store
        last = store.acts.last_undone()
        if last is None:
            return UndoResult((), ())
        moved = [change.key[0] for change in store.acts.changes(last.id) if change.part == FILE]
        ids = hits_of_files(store, moved)
        plan = self.plan_hand_over(ids)
        if plan:
            announce_hand_over(store, plan)
        result = undo_acts(store, [last], back=False)
        self._hand_over(plan)
        self._after(result)
        return result

    def _act(self, act_id: int) -> Act:
        act = self._context.store.acts.get(act_id)
        if act is None or not act.n_changes:
            raise StoreArgumentError(
                f"act {act_id} is not in the history, or cannot be undone any more"
            )
        return act

    def _after(self, result: UndoResult) -> None:
        """Bring what depends on the rows up to date."""
        self._take_back([event.hit_id for event in result.events])
        if any(act.verb in CHANGES_ROLES for act in result.acts):
            with self._context.store.database.recording.paused():
                propagate_roles(self._context)

    def _hand_over(self, plan: Mapping[int, int]) -> None:
        """Give annotations to copies; undoing the move takes them back, so they are no act."""
        if plan:
            with self._context.store.database.recording.paused():
                hand_over(self._context.store, plan)

    def _take_back(self, hit_ids: Sequence[int]) -> None:
        store = self._context.store
        with store.database.recording.paused():
            take_back(store, hits_of_files(store, hit_ids))

    def warnings(self) -> list[str]:
        """Return why moves that were interrupted could not be completed; see `clear_warnings`."""
        return read_warnings(self._context.store)

    def damage(self) -> list[str]:
        """Return for which hits in use the annotations are damaged, and what to do.

        `Catalog.review.check_store` also checks hits that were not listed.
        """
        return self._context.store.hits.damage()

    def clear_warnings(self) -> None:
        """Delete the warnings once the user has read them."""
        clear_warnings(self._context.store)

    def history(self) -> list[HistoryEvent]:
        """Return all recorded actions on hits, the newest last."""
        return self._context.store.history.read()
