"""What must hold, one module a family; see ``rules.catalogue`` for all of them."""
