"""Pages the workshop sees."""
