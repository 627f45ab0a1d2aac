"""Image and definition into arrays, and back."""
