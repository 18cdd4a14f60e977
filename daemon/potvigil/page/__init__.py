"""The local web page: a process of its own that reads the record and writes no more than commands."""
