"""The API, over HTTP as a client sees it."""
