"""Analogue to digital converters."""
