"""The same for machines, as JSON."""
