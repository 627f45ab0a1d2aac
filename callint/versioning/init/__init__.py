"""What callint init writes into a repository, and how it is taken back."""
