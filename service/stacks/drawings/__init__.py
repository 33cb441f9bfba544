"""Values in, SVG out."""
