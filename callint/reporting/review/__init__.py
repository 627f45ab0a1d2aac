"""The review of a change: a document and its page."""
