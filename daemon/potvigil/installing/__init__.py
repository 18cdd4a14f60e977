"""The service of a machine: what lies where, and what is run to have it so; the verb does it."""
