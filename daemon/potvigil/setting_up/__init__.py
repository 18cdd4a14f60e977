"""Settings made from a person's answers and the devices found on the buses."""
