"""What verifying an image found."""
