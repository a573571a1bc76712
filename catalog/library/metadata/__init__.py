"""Facts taken from names, folders and chunks: roles, drums, microphones, sessions."""
