"""What Streamlit runs again at each change; everything is in the views."""

from catalog.web.views import draw_page

draw_page()
