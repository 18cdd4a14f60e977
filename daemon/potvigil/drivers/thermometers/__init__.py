"""Thermometers."""
