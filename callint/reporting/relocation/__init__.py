"""Where the items of a definition lie in the image of another software."""
