"""The rules, in modules by family; ``registry`` lists them all."""
