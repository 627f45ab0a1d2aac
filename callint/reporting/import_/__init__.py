"""What an import of a description took and left."""
