"""Laws that hold for any definition and any image of it, tried on generated ones.

``CALLINT_LAWS=2000 pytest tests/laws`` tries that many new ones for each law; without it each law is tried on
a few, the same every time, so that what a change breaks shows at that change.
"""
