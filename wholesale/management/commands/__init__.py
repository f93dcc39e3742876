"""One command per file."""
