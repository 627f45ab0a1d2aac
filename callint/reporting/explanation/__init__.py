"""A change explained to the owner of an engine, as a page to print."""
