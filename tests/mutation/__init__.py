"""Mutation testing: the code is broken in one place at a time, and the tests must notice.

``README.md`` beside it says how to run it and how to read its results.
"""
