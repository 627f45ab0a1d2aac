"""Changes between two images in every format."""
