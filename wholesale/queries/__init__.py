"""Rows to frozen values and page rows; no writes."""
