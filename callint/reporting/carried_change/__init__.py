"""Whether a change that was carried to another software version is the same."""
