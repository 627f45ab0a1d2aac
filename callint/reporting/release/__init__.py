"""A release: its image file, its manifest, and why there is none."""
