"""Mistyped and wrongly pasted cells in an edited table."""
