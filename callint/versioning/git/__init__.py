"""The git program and the objects of a repository."""
