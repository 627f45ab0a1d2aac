"""Two decoded images into a change set."""
