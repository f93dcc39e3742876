"""Pages, as people meet them."""
