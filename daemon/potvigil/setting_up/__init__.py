"""Settings made from what somebody answers and what answers on the buses."""
