"""Sentences and figures for people, each in one place."""
