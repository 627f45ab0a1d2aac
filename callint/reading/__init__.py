"""Files into the dataclasses of ``model``: one module per kind of file."""
