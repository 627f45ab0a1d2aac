"""Finds mistyped and wrongly pasted cells in an edited table."""
