"""Guided runs at the pot."""
