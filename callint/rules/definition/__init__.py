"""Rules about a definition file itself, one module for each subject."""
