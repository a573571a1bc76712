"""What Streamlit runs again at each change; everything is in the views."""

from catalog.page.views import draw_page

draw_page()
