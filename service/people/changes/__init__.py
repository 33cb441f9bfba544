"""Changes of people: who they are, how they come in, on which tablets."""
