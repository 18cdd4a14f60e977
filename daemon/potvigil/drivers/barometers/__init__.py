"""Barometers."""
