"""Measurements, printed by ``make bench``; never a verdict."""
