"""Compares images of two software versions with different definitions, as the engine reads them."""
