"""The marks by which callint recognises its own lists of conflicts; it replaces no other file."""

#: The format of a list in JSON.
FORMAT = "callint-conflicts"
#: The beginning of a list in text.
TITLE = "callint merge: conflicts in "
