"""What one browser tab has chosen and what its last actions reported."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import streamlit as st

from catalog.duplicates.groups import CopyGroup, UncertainPair

KEY = "tab"  # in Streamlit's session state; widgets keep their own keys there


@dataclass(frozen=True)
class ExportMessage:
    """The outcome of the last export of a tab, shown while its folder stays in the field."""

    folder: str = ""
    kind: Literal["success", "warning", "error"] = "success"
    text: str = ""


@dataclass
class Tab:
    """The state of one browser tab that no widget keeps.

    Attributes
    ----------
    action_error, kit_error, scan_error : str
        why the last action failed, shown beside the part it belongs to; "" if it did not
    notice : str, what the last action on files did
    notice_revision : int or None, of the catalog when the notice was first shown
    not_undone : list of str, reasons for hits that could not be restored
    verdicts : list of (first, second), pairs judged by ear in this tab, the newest last
    picked_copies : list of int, hits chosen to be set aside
    confirms_set_aside : bool, whether the question before setting aside is open
    copies : (revision, groups, uncertain pairs) or None
    kit_balance : (state, tables) or None
    export : ExportMessage
    role_round : int, number of the present round of role questions
    role_hits : list of int or None, hits of that round
    folder : str, the folder that the folder picker shows; "" for the home folder
    take_frames : (content hash, frames) or None
    """

    action_error: str = ""
    kit_error: str = ""
    scan_error: str = ""
    notice: str = ""
    notice_revision: int | None = None
    not_undone: list[str] = field(default_factory=list)
    verdicts: list[tuple[int, int]] = field(default_factory=list)
    picked_copies: list[int] = field(default_factory=list)
    confirms_set_aside: bool = False
    copies: tuple[int, list[CopyGroup], list[UncertainPair]] | None = None
    kit_balance: tuple[Any, Any] | None = None
    export: ExportMessage = ExportMessage()
    role_round: int = 1
    role_hits: list[int] | None = None
    folder: str = ""
    take_frames: tuple[str, int] | None = None

    def clear_notice(self) -> None:
        """Remove the notice of the last action."""
        self.notice, self.notice_revision, self.not_undone = "", None, []


def tab() -> Tab:
    """Return the state of the tab that this run of the page belongs to."""
    if KEY not in st.session_state:
        st.session_state[KEY] = Tab()
    state: Tab = st.session_state[KEY]
    return state


def is_expanded(key: str) -> bool:
    """Return whether the expander with this key is open."""
    return bool(st.session_state.get(key))
