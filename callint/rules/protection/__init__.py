"""Rules about tables that protect the engine or the people around it."""
