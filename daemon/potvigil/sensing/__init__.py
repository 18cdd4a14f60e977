"""From what was read to what is believed."""
