"""What the laboratory's words are made of."""
