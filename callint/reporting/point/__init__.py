"""The outputs of tables at one operating point."""
