"""What a merge settled and left open."""
