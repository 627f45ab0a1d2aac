"""Which definition fits an image."""
