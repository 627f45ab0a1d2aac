"""Files that are written whole or not at all, and where they may be written."""
