"""Casewright: wholesale orders, production and invoicing for a small workshop."""
