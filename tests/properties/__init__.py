"""Properties that hold for any definition and any image of it, tested on generated ones.

``CALLINT_EXAMPLES=2000 pytest tests/properties`` tests each property on 2000 new definitions. Otherwise each
property is tested on a few definitions, always the same, so that a change that breaks it fails at once.
"""
