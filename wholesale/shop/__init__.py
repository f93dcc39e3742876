"""Pages a shop sees."""
