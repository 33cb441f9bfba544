"""Work at the bench: entries, hand-in, approval, correction, taking a stack over."""
