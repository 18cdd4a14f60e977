"""Potvigil: the night watch for a resin caster's pressure pot."""

__version__ = "0.2.0"
