"""HTML pages: forms in, sheets out."""
