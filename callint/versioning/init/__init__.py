"""What callint init writes into a repository, and how it undoes that."""
