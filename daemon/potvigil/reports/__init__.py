"""Reports of what is in the record, for paper or screen."""
