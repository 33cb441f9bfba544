"""Designs, their pattern of layers, and the grammar that checks a pile against it."""
