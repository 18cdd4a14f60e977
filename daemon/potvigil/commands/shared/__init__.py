"""Shared by several verbs."""
