"""Compares images of two software versions, whose definitions differ, as the engine reads them."""
