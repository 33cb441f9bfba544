"""Limits and figures of a design, in approved versions."""
