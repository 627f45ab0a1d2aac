"""A driving log and its relation to tables and changes."""
