"""Template tags that every page shares."""
