"""Changes of tests and releases."""
