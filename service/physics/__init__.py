"""Formulas of bolts, springs, gaskets, gases and water, each with its source."""
