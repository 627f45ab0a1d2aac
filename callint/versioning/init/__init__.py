"""The files and settings that callint init writes into a repository, and their removal."""
