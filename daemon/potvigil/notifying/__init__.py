"""Telling people who look at no page: what goes out of the house, and to whom."""
