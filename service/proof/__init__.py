"""Leak, insulation and short tests, their verdicts, and the release to hydrogen."""
