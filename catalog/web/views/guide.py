"""The guides, shown in a dialog."""

from __future__ import annotations

import streamlit as st

from catalog.guide import list_subjects, read_guide

FIRST = "page"  # the subject that is shown first


def draw_guides() -> None:
    """Draw the choice of subjects and the chosen guide."""
    titles = list_subjects()
    first = list(titles).index(FIRST)
    subject = st.selectbox("Subject", list(titles), index=first, format_func=titles.__getitem__)
    st.markdown(read_guide(subject))
