"""Invented labs of any size."""
