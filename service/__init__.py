"""Layerbook: what sits in which layer of every fuel-cell stack, and what was done to it."""
