"""The tests, filed by what they cost; see DEVELOPERS.md."""
