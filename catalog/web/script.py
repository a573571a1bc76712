"""The script that Streamlit reruns at each change; the views do the work."""

from catalog.web.views import draw_page

draw_page()
