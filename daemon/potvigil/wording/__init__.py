"""Sentences and figures as a person reads them, said in one place."""
