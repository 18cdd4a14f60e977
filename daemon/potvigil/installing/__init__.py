"""The service of a machine: its files, and the commands to install them; the verb runs them."""
