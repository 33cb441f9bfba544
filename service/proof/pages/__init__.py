"""Pages of tests and releases."""
