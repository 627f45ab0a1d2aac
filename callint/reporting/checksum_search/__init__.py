"""The checksums that were found in images of unknown software."""
