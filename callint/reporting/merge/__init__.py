"""The conflicts of a merge."""
