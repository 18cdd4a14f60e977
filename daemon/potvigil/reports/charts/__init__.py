"""The drawings of the reports."""
