"""The arithmetic by itself, for figures typed by hand."""
