"""Sizes from molt to molt."""
