"""The command line: verbs, options, types."""
