"""The effects of a misread signal."""
