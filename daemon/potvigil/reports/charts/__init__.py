"""The charts of the reports."""
