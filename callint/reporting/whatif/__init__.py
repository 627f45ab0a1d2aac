"""What a false reading of a signal does."""
