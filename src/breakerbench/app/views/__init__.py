"""The pictures of the window: each answers one question."""
