"""Lists of addresses, as people keep them in text files and workbooks, into definitions."""
