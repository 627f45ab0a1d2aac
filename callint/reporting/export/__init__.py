"""A definition as a description in a published standard."""
