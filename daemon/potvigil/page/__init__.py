"""The local web page: a separate process that reads the record and writes only commands and details."""
