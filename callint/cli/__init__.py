"""Code that the commands share: options, images, git's files, workers, progress."""
