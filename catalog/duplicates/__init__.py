"""Groups of copies, which one to keep, and how hits relate."""
