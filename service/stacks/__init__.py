"""Stacks, builds, layers and hour meters: what was installed where, and for how long."""
