"""Start the page with `streamlit run app.py`; add `-- --store FILE` for another store."""

from __future__ import annotations

import argparse

import streamlit as st

from catalog.web.server.start import app_parts

parser = argparse.ArgumentParser(add_help=False)
parser.add_argument("--store")
app = st.App(**app_parts(parser.parse_known_args()[0].store))
