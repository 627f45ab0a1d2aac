"""The commits that set the cells of an image."""
