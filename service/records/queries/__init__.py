"""Questions to the database and their answers."""
