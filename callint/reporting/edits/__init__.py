"""Changes that a command made to an image file."""
