"""What the database holds."""
