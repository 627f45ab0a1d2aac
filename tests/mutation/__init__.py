"""Mutation testing: the code is broken in one place at a time, and the tests must notice.

``docs/mutation.md`` says how it is run and what it found.
"""
