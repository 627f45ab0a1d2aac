"""The differences between two definitions, for people and for programs."""
