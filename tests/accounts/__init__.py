"""People and shops."""
