"""What is entered while a stack is closed, and what is kept of the closing."""
