"""The “?” button: shows the guides in a dialog."""

from __future__ import annotations

import streamlit as st

from catalog.guide import list_subjects, read_guide

# Top right, in the empty strip above the tabs.
STYLE = """<style>
.st-key-guide {position: absolute; top: .3rem; right: 2rem; width: auto; z-index: 4}
</style>"""
FIRST = "page"  # the subject that is shown first


def draw_guide_button() -> None:
    """Draw the button; nothing is read before it is pressed."""
    with st.container(key="guide"):
        st.html(STYLE)
        if st.button("?", help="Guides"):
            st.dialog("Guides", width="large")(draw_guides)()


def draw_guides() -> None:
    """Draw the choice of subjects and the chosen guide."""
    titles = list_subjects()
    first = list(titles).index(FIRST)
    subject = st.selectbox("Subject", list(titles), index=first, format_func=titles.__getitem__)
    st.markdown(read_guide(subject))
