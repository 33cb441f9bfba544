"""What whoever runs the server does: migrate, back up, restore, verify."""
