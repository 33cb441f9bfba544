"""Lists that are read: parts and instruments."""
