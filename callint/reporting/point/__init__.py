"""What tables put out at one operating point."""
