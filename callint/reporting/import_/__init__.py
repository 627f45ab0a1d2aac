"""The result of importing a description."""
