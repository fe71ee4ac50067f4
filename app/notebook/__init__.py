"""The notebook: what was read, on which bobbin of which spin, kept in one SQLite file."""
