"""Reports of results: a folder for each subject, a module for each format."""
