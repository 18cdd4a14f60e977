"""Printable documents: reports of batches and health charts of pots."""
