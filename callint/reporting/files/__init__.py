"""Which files callint writes, and how."""
