"""Reports about a fleet: text, CSV, JSON and a page for a browser."""
