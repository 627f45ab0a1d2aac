"""Who set what in an image."""
