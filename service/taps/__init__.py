"""Which voltage channel reads which cell."""
