"""Part types, parts, lots, instruments and holds."""
