"""Requests to the record: lists of batches, details to enter, commands and their answers."""
