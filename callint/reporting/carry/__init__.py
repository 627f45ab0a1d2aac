"""What was carried to another software version."""
