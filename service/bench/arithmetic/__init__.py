"""Pure arithmetic of the bench."""
