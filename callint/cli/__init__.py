"""What the commands have in common: options, images, git's files, workers, progress."""
