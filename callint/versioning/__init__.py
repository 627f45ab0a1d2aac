"""Everything that callint knows about git."""
