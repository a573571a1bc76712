"""What one browser tab has chosen and what its last actions reported."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

import streamlit as st

from catalog.search.roles.questions import RoleQuestion

KEY = "tab"  # in Streamlit's session state; widgets keep their own keys there


@dataclass
class Tab:
    """The state of one browser tab that no widget keeps."""

    name: str = field(default_factory=lambda: secrets.token_hex(8))  # distinguishes its changes
    action_error: str = ""  # why the last action failed, shown beside the part it belongs to
    scan_error: str = ""
    attention: tuple[int, dict[str, int]] | None = None  # revision and counts of what needs it
    notice: str = ""  # what the last action on files did
    notice_revision: int | None = None  # of the catalog when the notice was first shown
    not_undone: list[str] = field(default_factory=list)  # why hits could not be restored
    changed_aside: list[int] = field(default_factory=list)  # hits to be restored as they are
    role_round: int = 1  # number of the present round of role questions
    role_questions: list[RoleQuestion] | None = None  # of that round
    folder: str = ""  # shown by the folder picker; "" is the home folder
    take_frames: tuple[str, int] | None = None  # content hash and length

    def clear_notice(self) -> None:
        """Remove the notice of the last action."""
        self.notice, self.notice_revision, self.not_undone = "", None, []
        self.changed_aside = []


def tab() -> Tab:
    """Return the state of the tab that this run of the page belongs to."""
    if KEY not in st.session_state:
        st.session_state[KEY] = Tab()
    state: Tab = st.session_state[KEY]
    return state


def is_expanded(key: str) -> bool:
    """Return whether the expander with this key is open."""
    return bool(st.session_state.get(key))
